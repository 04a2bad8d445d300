"""A coil weighed by the daemon, a person setting its current: on the virtual bench, whose magnet is uneven.

The pull on the coil is that of the tests' own field (``models.uneven``), which shares nothing with ours.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.bench.coil_bench import bench_text, bench_with_coil, pull
from tests.support.models.loops import PER_KG
from weighloop.daemon.control.pending import Refused
from weighloop.daemon.procedure.plan import coil_plan
from weighloop.daemon.procedure.restart import restart, unconfirmed
from weighloop.daemon.procedure.run import replay
from weighloop.drivers.device import DeviceState


@pytest.mark.costly
@pytest.mark.parametrize("ladder", ["lift", "spacers"])
def test_every_gap_is_read_with_both_currents_and_both_ends(ladder: str) -> None:
    bench = bench_with_coil()
    bench.start_coil(bench_text(ladder), heights=3)
    bench.operate()
    run = bench.run
    assert run is not None
    assert run.state == "finished", run.why
    assert bench.current == 0.0, "the person was asked to switch it off"
    points = run.points
    assert len(points) == 3 * 2 * 4
    for first in range(0, len(points), 4):
        stop = points[first : first + 4]
        assert len({(p["height_m"], p["orientation"]) for p in stop}) == 1
        assert [np.sign(p["current_A"]) for p in stop] == [1, -1, -1, 1]
        height = stop[0]["height_m"]
        gap = height if ladder == "lift" else stop[0]["spacers"] * 1e-3
        end = stop[0]["orientation"]
        change = end * 2 * stop[0]["current_A"] * pull(gap, end) / PER_KG
        for plus, minus in ((stop[0], stop[1]), (stop[3], stop[2])):
            u = np.hypot(plus["u_kg"], minus["u_kg"])
            assert abs(minus["value_kg"] - plus["value_kg"] - change) < 5 * u
    assert {p["orientation"] for p in points} == {1, -1}
    assert replay(run.id, bench.store.events(run.id)).points == run.points


def test_what_is_asked_of_the_person_and_that_a_meter_may_say_otherwise() -> None:
    bench = bench_with_coil()
    bench.start_coil(bench_text("lift"), heights=1, ends=1, current=0.02)
    asked: list[str] = []

    def asks() -> bool:
        action = bench.action()
        if action is not None and action["needs_confirm"] and action["text"] not in asked[-1:]:
            asked.append(action["text"])
        return action is not None and action["code"] == "set-current"

    bench.operate(stop=asks)
    assert asked[-1] == "Set the coil's current to +20 mA."
    for wrong in ("20", "15 mA", "-20 mA", "20 apples"):
        with pytest.raises(Refused):
            bench.say("confirm", wrong, "set-current")
    bench.current = 0.0201
    bench.say("confirm", "20.1 mA", "set-current")
    bench.operate(stop=lambda: bool(bench.run and bench.run.points))
    assert bench.run is not None
    assert bench.run.points[0]["current_A"] == 0.0201
    bench.operate(stop=lambda: bool(bench.run and asks() and len(bench.run.points) == 4))
    assert asked == [
        "Put the coil on its holder, marked face up.",
        "Set the coil's current to +20 mA.",
        "Set the coil's current to −20 mA.",
        "Set the coil's current to +20 mA.",
        "Switch the coil's current off.",
    ]


def test_a_scan_asks_for_the_seat_at_the_far_end_and_keeps_where_it_stood() -> None:
    bench = bench_with_coil()
    text = bench_text("lift")
    bench.begin(coil_plan(text, 1, aside=3e-3), text)
    asked: list[tuple[str, bool]] = []

    def asks() -> bool:
        action = bench.action()
        if action is not None and action["code"] == "move-seat" and action["text"] not in asked[-1:]:
            asked.append((action["text"], bench.place > 0.04))
        return False

    bench.operate(stop=asks)
    run = bench.run
    assert run is not None
    assert run.state == "finished", run.why
    words = [text for text, _ in dict.fromkeys(asked)]
    assert words == [
        "Move the coil's seat to x = 0 mm, y = 0 mm.",
        "Move the coil's seat to x = −3 mm, y = 0 mm.",
        "Move the coil's seat to x = +3 mm, y = 0 mm.",
        "Move the coil's seat to x = 0 mm, y = −3 mm.",
        "Move the coil's seat to x = 0 mm, y = +3 mm.",
    ]
    assert all(far for _, far in asked)
    seats = [tuple(p.get("seat_m", ())) for p in run.points]
    assert seats[::4] == [(0, 0), (-3e-3, 0), (3e-3, 0), (0, -3e-3), (0, 3e-3), (0, 0)]
    assert len({p["height_m"] for p in run.points}) == 1
    assert replay(run.id, bench.store.events(run.id)).points == run.points


def test_a_current_that_was_not_reversed_is_asked_about() -> None:
    bench = bench_with_coil()
    bench.start_coil(bench_text("lift"), heights=1, ends=1)
    bench.operate(stop=lambda: bool(bench.run and bench.run.points))
    bench.advance(1)
    assert bench.action()["code"] == "set-current"
    bench.say("confirm", None, "set-current")  # said, not done
    bench.operate(stop=lambda: bench.action()["code"] == "question")
    assert "reversed and" in bench.action()["text"]
    bench.say("confirm", "once more", "question")
    bench.advance(1)
    assert bench.action()["code"] == "set-current"
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"
    assert [np.sign(p["current_A"]) for p in bench.run.points] == [1, -1, -1, 1]


def test_a_broken_stop_is_read_again_whole() -> None:
    """Its zero drops out only within a stop: after the balance was away all of it is read again."""
    bench = bench_with_coil()
    bench.start_coil(bench_text("lift"), heights=2, ends=1)
    bench.operate(stop=lambda: bool(bench.run and len(bench.run.points) == 6))
    bench.controller.watch.balance_is(DeviceState.LOST, "unplugged")
    bench.advance(5)
    assert bench.run is not None
    assert bench.run.state == "held"
    bench.offset += 0.5e-3
    bench.controller.watch.balance_is(DeviceState.READY, "answers")
    bench.advance(1)
    bench.operate()
    used = [p for p in bench.run.points if p["set_aside"] is None]
    assert bench.run.state == "finished"
    assert len(bench.run.points) == 10
    assert [np.sign(p["current_A"]) for p in used] == [1, -1, -1, 1] * 2
    assert all("read again" in (p["set_aside"] or "read again") for p in bench.run.points)


def test_only_the_stop_under_way_is_spoilt_by_an_interruption() -> None:
    """And where a homing finds steps lost, the stops that were read since the one before."""
    bench = bench_with_coil()
    bench.start_coil(bench_text("lift"), heights=2, ends=2)
    bench.operate(stop=lambda: bool(bench.run and len(bench.run.points) == 4))
    assert bench.run is not None
    broken = {"need_zero": True, "moved": True, "compare": True}
    assert restart(bench.run, "a power cut", **broken) is None
    bench.operate(stop=lambda: bool(bench.run and len(bench.run.points) == 6))
    plan = restart(bench.run, "a power cut", **broken)
    assert plan is not None
    assert list(plan.set_aside) == [p["id"] for p in bench.run.points[4:]]
    assert [np.sign(s["current_A"]) for s in plan.steps] == [1, -1, -1, 1] * 3
    whole = unconfirmed(bench.run, "steps were lost", need_zero=False)
    assert whole is not None
    assert list(whole.set_aside) == [p["id"] for p in bench.run.points]
    assert len(whole.steps) == 16
