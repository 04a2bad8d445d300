"""Two taps on the pan say done, three hold the run, and no reading is taken meanwhile."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.protocol import ActionCode


def bench_at(what: ActionCode, leg: int = 1, ladder: str = "spacers") -> VirtualBench:
    """A hands-free run that has just asked for ``what`` on a leg."""
    bench = VirtualBench(interval=0.1)  # a tap lasts half a second
    bench.offset = 5e-3
    bench.start(ladder, points=3, hands_free=True)

    def there() -> bool:
        step = bench.run.next_step if bench.run is not None else None
        return step is not None and step["leg"] >= leg and bench.action()["code"] == what

    bench.operate(stop=there)
    assert there()
    return bench


def pressed(bench: VirtualBench, *heights: float) -> None:
    """A row of presses of these weights, kg."""
    bench.advance(1.5)
    for height in heights:
        bench.pressed = height
        bench.advance(0.5)
        bench.pressed = 0.0
        bench.advance(0.7)
    bench.advance(1.0)


def events(bench: VirtualBench, kind: str) -> list[Any]:
    assert bench.run is not None
    return [event for event in bench.store.events(bench.run.id) if event.kind == kind]


def state(bench: VirtualBench) -> str:
    assert bench.run is not None
    return bench.run.state


def test_two_taps_say_done() -> None:
    bench = bench_at("remove-sample")
    bench.tap(2)
    assert bench.action()["code"] != "remove-sample"
    assert events(bench, "hands")[-1].data["how"] == "tapped on the pan"
    assert state(bench) == "running"


@pytest.mark.parametrize("what", ["remove-sample", "set-spacers", "place-sample"])
def test_three_taps_hold_the_run(what: ActionCode) -> None:
    bench = bench_at(what)
    bench.tap(3)
    assert state(bench) == "held"
    assert bench.run.code == "asked"  # type: ignore[union-attr]
    assert events(bench, "held")[-1].data["why"] == "by taps"
    bench.tap(3)
    bench.tap(2)
    assert state(bench) == "held"  # going on is for a key


@pytest.mark.parametrize("count", [1, 4, 5, 6, 7])
def test_any_other_number_changes_nothing(count: int) -> None:
    bench = bench_at("remove-sample")
    before, action = bench.store.events(bench.run.id), bench.action()  # type: ignore[union-attr]
    bench.tap(count)
    assert bench.store.events(bench.run.id) == before  # type: ignore[union-attr]
    assert bench.action() == action


@pytest.mark.parametrize("presses", [(0.03, 0.03, 0.008), (0.008, 0.03, 0.03)])
def test_a_count_that_is_not_sure_changes_nothing(presses: tuple[float, ...]) -> None:
    """One of three is too light to be counted surely."""
    bench = bench_at("remove-sample")
    before = bench.store.events(bench.run.id)  # type: ignore[union-attr]
    pressed(bench, *presses)
    assert bench.store.events(bench.run.id) == before  # type: ignore[union-attr]


def test_no_tap_answers_a_question() -> None:
    bench = bench_at("set-spacers")
    action = bench.action()
    bench.hands({**action, "spacers": action["spacers"] + 1})
    bench.say("confirm")
    bench.until(lambda: bench.action()["code"] == "question", 60)
    for count in (2, 4, 5):  # two taps may be a late "done"
        bench.tap(count)
        assert bench.action()["code"] == "question"
    bench.tap(3)
    assert state(bench) == "held"


def reading_under_way() -> VirtualBench:
    """A reading that takes some time, on a bench that has grown restless."""
    bench = bench_at("place-sample")
    bench.hands(bench.action())
    bench.noise = 5e-6
    bench.say("confirm")
    bench.advance(2.5)
    assert bench.action()["code"] == "wait-reading"
    return bench


def test_no_reading_is_taken_while_the_pan_is_tapped() -> None:
    bench = reading_under_way()
    assert bench.run is not None
    taken = len(bench.run.points)
    for _ in range(12):
        bench.tap(1)
        assert len(bench.run.points) == taken
    began = bench.clock.now() - 1.0
    bench.until(lambda: len(bench.run.points) > taken, 115)  # type: ignore[union-attr]
    point = bench.run.points[-1]
    assert point["time_s"] > began  # what was read before the taps has no part in it
    assert bench.clock.now() - point["settled_in_s"] > began - 2.0
    assert abs(point["value_kg"] - bench.pull()) < 5 * point["u_kg"]


def test_a_strong_tap_in_a_reading_is_no_overload_of_the_bench() -> None:
    bench = reading_under_way()
    for _ in range(3):
        bench.forced = (None, "overload")
        bench.advance(0.5)
        bench.forced = None
        bench.advance(0.7)
    bench.advance(1.0)
    assert state(bench) == "held"
    assert bench.run.code == "asked"  # type: ignore[union-attr]


def test_an_overload_that_stays_is_one() -> None:
    bench = reading_under_way()
    bench.forced = (None, "overload")
    bench.advance(4.0)
    assert state(bench) == "held"
    assert bench.run.code == "over-capacity"  # type: ignore[union-attr]


def test_taps_that_began_before_it_was_asked_do_not_say_done() -> None:
    bench = bench_at("remove-sample")
    bench.advance(1.5)
    bench.pressed = 0.03
    bench.advance(0.5)
    bench.pressed = 0.0
    bench.say("confirm")  # by the key, between two taps
    bench.advance(0.6)
    assert bench.action()["code"] == "set-spacers"
    bench.pressed = 0.03
    bench.advance(0.5)
    bench.pressed = 0.0
    bench.advance(4)
    assert bench.action()["code"] == "set-spacers"
    bench.tap()
    assert bench.action()["code"] != "set-spacers"


def test_taps_mean_nothing_without_hands_free() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=3)
    bench.until(lambda: bench.action()["needs_confirm"])
    action = bench.action()
    for count in (2, 3):
        bench.tap(count)
    assert bench.action() == action
    assert state(bench) == "running"


def test_with_a_lift_taps_only_hold() -> None:
    bench = bench_at("place-sample", leg=0, ladder="lift")
    action, moves = bench.action(), list(bench.mover.moves)
    bench.hands(action)
    assert action["hint"] == ""
    bench.tap(2)
    assert bench.action() == action
    bench.tap(3)
    assert state(bench) == "held"
    assert bench.mover.moves == moves
