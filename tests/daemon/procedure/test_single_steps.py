"""A run by single steps: what a script asks for is done with the checks of a planned run, or refused."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from tests.support.bench.hostile_bench import HostileBench, wrong_readings
from tests.support.bench.virtual_bench import BENCH_TEXT, VirtualBench, attraction
from weighloop.analysis.errors import InputError, NotPossible
from weighloop.daemon.control.pending import Refused
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.run import replay
from weighloop.daemon.procedure.single_steps import plan_of_none, step_at

TEXT = BENCH_TEXT.format(ladder="lift")


def opened(bench: VirtualBench | None = None) -> VirtualBench:
    bench = bench or VirtualBench()
    bench.controller.add_run(RunRequest(plan_of_none(TEXT), TEXT, "test"))
    bench.controller.step()
    return bench


def ask(
    bench: VirtualBench, what: Any, gap_mm: float = 0.0, orientation: int = 1, back: bool = False
) -> None:
    step = step_at(TEXT, gap_mm * 1e-3, orientation) if what == "gap" else None
    future: Future[Any] = bench.controller.ask(events.Asked(what, step=step, turn_back=back))
    bench.controller.step()
    bench.controller.step()
    future.result(0)


def is_ready(bench: VirtualBench) -> bool:
    action = bench.action()
    bench.person()
    return bool(action.get("ready")) or (bench.run is not None and bench.run.state != "running")


def go(bench: VirtualBench, gap_mm: float, orientation: int = 1, back: bool = False) -> None:
    ask(bench, "gap", gap_mm, orientation, back)
    bench.until(lambda: is_ready(bench))


def read(bench: VirtualBench) -> Any:
    assert bench.run is not None
    ask(bench, "reading")
    bench.until(lambda: is_ready(bench))
    return bench.run.points[-1]


def test_each_reading_is_of_its_gap_and_began_after_the_move() -> None:
    bench = opened()
    for gap in (40.0, 20.0, 6.0, 2.0):
        go(bench, gap)
        stands = bench.clock.time
        point = read(bench)
        assert point["gap_m"] == pytest.approx(gap * 1e-3, abs=6e-6)
        assert point["time_s"] >= stands
        assert bench.clock.time - point["settled_in_s"] >= stands - 0.1
        assert bench.run is not None
        zero = bench.run.last("zero")
        assert zero is not None
        pull = zero["value_kg"] - point["value_kg"]
        assert pull == pytest.approx(attraction(gap * 1e-3 - 1e-3), abs=5 * point["u_kg"] + 3e-6)
    assert bench.path[0] == bench.travel  # homed at the far end first
    assert [p["kind"] for p in bench.run.points] == ["zero", *["point"] * 4]


def test_two_readings_at_one_gap_are_two() -> None:
    bench = opened()
    go(bench, 5.0)
    first, second = read(bench), read(bench)
    assert second["id"] != first["id"]
    assert second["time_s"] > first["time_s"]
    assert second["gap_m"] == first["gap_m"]


def test_one_way_on_a_branch_unless_it_is_said() -> None:
    bench = opened()
    go(bench, 10.0)
    read(bench)
    go(bench, 4.0)
    with pytest.raises(Refused, match=r"6\.00 mm lies back from 4\.00 mm on this branch"):
        ask(bench, "gap", 6.0)
    with pytest.raises(Refused, match="the far end, where a zero is read"):
        ask(bench, "zero")
    with pytest.raises(Refused, match="where the sample is turned over"):
        ask(bench, "gap", 4.0, -1)
    assert bench.path[-1] == pytest.approx(3e-3, abs=6e-6)
    go(bench, 6.0, back=True)
    assert read(bench)["leg"] == 1
    go(bench, 12.0)  # on outward: the way it goes
    go(bench, 10.0, -1)  # by the far end, its zero, and the person's hands
    assert bench.orientation == -1
    assert read(bench)["leg"] == 2
    assert bench.run is not None
    assert [p["kind"] for p in bench.run.points] == ["zero", "point", "point", "zero", "point"]


def test_it_ends_with_a_zero_and_the_readings_verify(tmp_path: Path) -> None:
    bench = opened(VirtualBench(tmp_path / "s.sqlite"))
    go(bench, 5.0)
    read(bench)
    ask(bench, "finish")
    bench.until(lambda: is_ready(bench))
    assert bench.run is not None
    assert bench.run.state == "finished"
    assert [p["kind"] for p in bench.run.points] == ["zero", "point", "zero"]
    assert bench.store.verify() == []
    assert bench.store.run(1)["steps_done"] == len(bench.store.run(1)["steps"])


def test_never_under_a_run_that_goes_by_its_plan() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    for what in ("gap", "reading", "zero", "finish"):
        with pytest.raises(Refused, match="run 1 goes by its plan"):
            ask(bench, what, 5.0)


def test_not_while_something_is_under_way_nor_where_nothing_stands() -> None:
    bench = opened()
    with pytest.raises(Refused, match="stands at no gap"):
        ask(bench, "reading")
    ask(bench, "gap", 5.0)
    for what in ("reading", "gap", "zero", "finish"):
        with pytest.raises(Refused, match="still under way"):
            ask(bench, what, 4.0)
    bench.say("hold", "tea")
    with pytest.raises(Refused, match="the run is held: tea"):
        ask(bench, "gap", 4.0)


def test_out_of_reach_and_without_a_lift() -> None:
    for gap in (0.5e-3, 60e-3):
        with pytest.raises(InputError, match=r"within the lift's reach, 1\.00 mm to 50\.00 mm"):
            step_at(TEXT, gap, 1)
    with pytest.raises(NotPossible, match="need a lift"):
        plan_of_none(BENCH_TEXT.format(ladder="spacers"))


def test_a_move_that_the_balance_does_not_answer_is_held() -> None:
    """The lift stands, and the balance shows what it showed before: that is not read as the new gap's."""
    bench = HostileBench()
    opened(bench)
    go(bench, 20.0)
    read(bench)
    bench.frozen = True
    go(bench, 4.0)
    ask(bench, "reading")
    bench.until(lambda: bench.run is not None and bench.run.state == "held")
    assert bench.run is not None
    assert bench.run.code in ("unanswered", "dead")
    assert bench.read_so_far == 2


@pytest.mark.parametrize("age", [1.2, 8.0])
def test_a_late_line_is_waited_for_or_held(age: float) -> None:
    """What the line still brings of the gap before is never read as this gap's."""
    bench = HostileBench()
    bench.age = age
    opened(bench)
    for gap in (20.0, 8.0, 4.0):
        if bench.run is not None and bench.run.state == "running":
            go(bench, gap)
            ask(bench, "reading")
            bench.until(lambda: is_ready(bench))
    assert bench.run is not None
    assert bench.run.state == ("running" if age < 2 else "held")
    assert wrong_readings(bench) == []


def test_after_an_interruption_another_branch_begins_with_a_zero() -> None:
    bench = opened()
    go(bench, 10.0)
    read(bench)
    go(bench, 4.0)
    bench.controller.happen(events.LiftVoid("it was reset", "reset"))
    bench.advance(1.0)
    bench.until(lambda: is_ready(bench))
    with pytest.raises(Refused, match="stands at no gap"):
        ask(bench, "reading")
    go(bench, 6.0)  # from the far end: nothing lies back
    point = read(bench)
    assert point["gap_m"] == pytest.approx(6e-3, abs=6e-6)
    assert bench.path[-2:] == [bench.travel, pytest.approx(5e-3)]


def test_a_daemon_that_starts_again_finds_the_run_by_single_steps(tmp_path: Path) -> None:
    bench = opened(VirtualBench(tmp_path / "s.sqlite"))
    go(bench, 5.0)
    read(bench)
    bench.store.close()
    again = VirtualBench(tmp_path / "s.sqlite")
    record = replay(1, again.store.events(1))
    assert record.single
    again.controller.resume(record, "the daemon was started again")
    again.advance(1.0)
    again.say("go-on")
    again.until(lambda: is_ready(again))
    with pytest.raises(Refused, match="stands at no gap"):
        ask(again, "reading")
    go(again, 3.0)
    assert read(again)["gap_m"] == pytest.approx(3e-3, abs=6e-6)
