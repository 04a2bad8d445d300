"""With spacers nobody needs the keyboard: what the balance shows, and two taps, carry a whole loop.

The virtual sample keeps its magnetisation in weak fields and follows strong ones: turned over at the far
end it is pushed where it was pulled (so is any permanent magnet in a field below its coercivity).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from tests.support.bench.virtual_bench import STRONG, VirtualBench, attraction
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure.manual_steps import least_change
from weighloop.daemon.procedure.plan import make_plan
from weighloop.drivers.device import BalanceReading
from weighloop.drivers.twin.bench import TwinBench
from weighloop.drivers.twin.bench_file import bench_file


def hands_free(on_pan: bool = True, points: int = 3) -> VirtualBench:
    bench = VirtualBench()
    bench.on_pan, bench.offset = on_pan, 5e-3
    bench.start("spacers", points=points, hands_free=True, spacers_on_pan=on_pan)
    return bench


def weigh(bench: VirtualBench, stop: Callable[[Any], bool] = lambda action: False) -> list[str]:
    """By the hands alone until the run is over or ``stop`` is so: the actions that had to be tapped."""
    tapped = []
    while bench.run is None or bench.run.state in ("planned", "running"):
        action = bench.action()
        if stop(action):
            break
        if action["needs_confirm"]:
            assert action["code"] != "question", action["text"]
            bench.hands(action)
            bench.advance(4.0)
            if bench.action() == action:
                bench.tap()
                tapped.append(action["text"])
            assert bench.action() != action, action
        bench.advance(0.5)
    return tapped


def leg_of(bench: VirtualBench) -> int:
    step = bench.run.next_step if bench.run is not None else None
    return step["leg"] if step is not None else -1


def test_a_whole_loop_with_spacers_under_the_sample_without_a_key() -> None:
    bench = hands_free(on_pan=False)
    tapped = weigh(bench)
    run = bench.run
    assert run is not None
    assert run.state == "finished"
    events = [e for e in bench.store.events(run.id) if e.kind == "hands"]
    assert {e.data["how"] for e in events} == {"seen by the balance", "tapped on the pan"}
    assert len(tapped) <= 4 < len(events) - 4, tapped  # where nothing is known yet
    points = [p for p in run.points if p["kind"] == "point"]
    assert len(points) == 5 * 3 - 2
    for point in points:  # each is the pull at its own count and way round
        height = (point["spacers"] or 0) * 1e-3
        push = point["leg"] in (2, 4) and height >= STRONG
        zero = [z for z in run.points if z["kind"] == "zero" and z["id"] < point["id"]][-1]
        pull = zero["value_kg"] - point["value_kg"]
        assert abs(pull - (-1 if push else 1) * attraction(height)) < 5 * point["u_kg"], point


class TwinAtHand(VirtualBench):
    """The controller on the bench twin's own physics and person, with neither ports nor waiting."""

    def __init__(self, twin: TwinBench) -> None:
        self.twin = twin
        super().__init__(interval=twin.scenario.balance.rate**-1)

    def _speak(self) -> None:
        self.twin.advance(self.clock.time - self.twin.now)
        shown = self.twin.balance.shown
        value = None if shown.value is None else shown.value * 1e-3
        self.devices.readings.append(BalanceReading(self.clock.time, value, shown.mark, b""))

    def do(self, name: str, **details: Any) -> None:
        """The twin's person does something, in their own time."""
        act = self.twin.begin({"do": name, **details})
        while act.answer is None:
            self.advance(0.1)
        assert act.answer["ok"], act.answer


@pytest.mark.costly
def test_a_whole_loop_on_the_twin_without_a_key() -> None:
    twin = TwinBench(3, ladder="spacers")
    bench = TwinAtHand(twin)
    text = bench_file(
        twin.scenario, seed=3, dialect="status-line", ladder="spacers", balance_port="x", lift_port=None
    )
    bench.controller.add_run(RunRequest(make_plan(text, 3), text, "test", hands_free=True))
    tapped, magnet_turned = [], 0
    while bench.run is None or bench.run.state in ("planned", "running"):
        bench.advance(0.5)
        action = bench.action()
        if action is None or not action["needs_confirm"]:
            continue
        assert action["code"] != "question", action["text"]
        if " over and put" in action["text"] and not magnet_turned:
            bench.do("turn-magnet")  # as good as turning the sample; what the pan carries is put down again
            magnet_turned = len(bench.run.points)
            bench.until(lambda: bench.action()["code"] == "place-sample", 60)
            assert len(bench.run.points) == magnet_turned + 1
            bench.do("place-sample")
        elif action["code"] == "set-spacers":
            bench.do("set-spacers", n=action["spacers"])
        elif action["code"] == "place-sample":
            bench.do("place-sample", orientation=action["orientation"])
        else:
            bench.do("remove-sample")
        bench.advance(6)
        if bench.action() == action:
            bench.do("tap")
            bench.advance(1.5)
            assert bench.action() != action, action
            tapped.append(action["text"])
    assert bench.run.state == "finished"
    assert magnet_turned
    assert len(tapped) <= 6, (
        tapped
    )  # at the start, where nothing is known, and where the pull is next to none


def is_placing(action: Any) -> bool:
    return action["code"] == "place-sample"


def test_the_hint_says_how_it_is_noticed() -> None:
    bench = hands_free()
    bench.until(lambda: bench.action()["needs_confirm"])
    assert bench.action()["hint"] == "tap the pan twice when done"  # nothing is known of the bench yet
    weigh(bench, is_placing)
    assert bench.action()["hint"].startswith("the balance notices")
    keys = VirtualBench()
    keys.start("spacers", points=4)
    keys.until(lambda: keys.action()["needs_confirm"])
    assert keys.action()["hint"] == ""


@pytest.mark.parametrize("on_pan", [True, False])
def test_a_forgotten_turn_is_not_seen_and_said_done_is_asked_about(on_pan: bool) -> None:
    bench = hands_free(on_pan)
    weigh(bench, lambda action: is_placing(action) and leg_of(bench) == 2)
    action = bench.action()
    assert "urn WP-07-1 over" in action["text"]
    bench.hands({**action, "orientation": 1})  # put back as it was
    bench.advance(10)
    assert bench.action() == action
    bench.tap()
    bench.until(lambda: bench.action()["code"] == "question", 60)
    assert "Was it turned?" in bench.action()["text"]
    assert not any(p["leg"] == 2 and p["kind"] == "point" for p in bench.run.points)  # type: ignore[union-attr]
    bench.tap()
    assert bench.action()["code"] == "question"  # only a key answers
    bench.say("confirm", "once more")
    bench.advance(1)
    assert bench.action()["text"].startswith("Take WP-07-1 off, turn it over")
    weigh(bench)
    assert bench.run is not None
    assert bench.run.state == "finished"


@pytest.mark.parametrize("ladder", ["spacers", "lift"])
def test_a_forgotten_turn_is_asked_about_with_keys_too(ladder: str) -> None:
    bench = VirtualBench()
    bench.start(ladder, points=4)
    bench.operate(stop=lambda: bench.action()["code"] == "turn-over")
    bench.say("confirm")  # said, not done
    bench.until(lambda: bench.action()["code"] == "place-sample", 600)
    bench.sample_on = True
    bench.say("confirm")
    bench.until(lambda: bench.action()["code"] == "question", 60)
    assert "Was it turned?" in bench.action()["text"]
    bench.say("confirm", "once more")
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"


def test_spacers_off_the_pan_that_were_not_changed_are_not_seen_and_asked_about() -> None:
    bench = hands_free(on_pan=False)
    weigh(bench, lambda action: is_placing(action) and leg_of(bench) == 1)
    action = bench.action()
    count = action["spacers"]
    assert action["text"] == f"Set {count} spacers, then put WP-07-1 on its holder, marked face up."
    assert action["sets_spacers"]
    bench.hands({**action, "spacers": 0})  # still as for the reading before
    bench.advance(10)
    assert bench.action() == action
    bench.tap()
    bench.until(lambda: bench.action()["code"] == "question", 60)
    assert f"The pull is the same as before {count} spacers" in bench.action()["text"]
    bench.say("confirm", "once more")
    weigh(bench, lambda action: is_placing(action) and action["spacers"] != count)
    assert bench.run is not None
    assert bench.run.points[-2]["spacers"] == count


def test_another_count_shows_against_the_passage_two_before() -> None:
    bench = hands_free(on_pan=False, points=6)
    weigh(bench, lambda action: is_placing(action) and leg_of(bench) == 3)
    action = bench.action()
    bench.hands({**action, "spacers": action["spacers"] + 1})
    bench.advance(10)
    assert bench.action() == action
    bench.tap()
    bench.until(lambda: bench.action()["code"] == "question", 60)
    assert f"fits {action['spacers'] + 1} spacers" in bench.action()["text"]


def test_a_restless_bench_is_not_taken_for_a_sample() -> None:
    """Draughts of 25 mg each way: more than the least change, less than the bench was seen to stray."""
    bench = hands_free()
    bench.noise = 8e-6
    weigh(bench, lambda action: is_placing(action) and leg_of(bench) == 1)
    action = bench.action()
    assert least_change(1e-6, 2e-6) < 25e-6
    assert bench.controller.hands_free.levels.width > 25e-6 / 2
    for blow in (25e-6, -25e-6, 25e-6):
        bench.pressed = blow
        bench.advance(5)
    bench.pressed = 0.0
    assert bench.action() == action
    bench.hands(action)
    bench.advance(5)
    assert bench.action() != action


def after_zero(bench: VirtualBench) -> int:
    """Up to a placing on the way out; how many zeros are read by then."""
    weigh(bench, lambda action: is_placing(action) and leg_of(bench) == 1)
    return sum(p["kind"] == "zero" for p in bench.run.points)  # type: ignore[union-attr]


def test_a_zero_is_read_again_when_the_balance_was_re_zeroed_after_it() -> None:
    bench = hands_free()
    zeros = after_zero(bench)
    assert abs(bench.offset) > 1e-3
    bench.pressed = 20e-6  # a finger on the key
    bench.advance(1)
    bench.pressed, bench.offset = 0.0, 0.0
    bench.until(lambda: sum(p["kind"] == "zero" for p in bench.run.points) > zeros, 60)  # type: ignore[union-attr]
    bench.until(lambda: is_placing(bench.action()), 60)


def test_a_zero_is_read_again_when_the_magnet_left_the_pan_and_never_without_it() -> None:
    bench = hands_free()
    controller = bench.controller
    assert controller.acquisition is not None
    zeros = after_zero(bench)
    bench.pressed = -0.3  # the magnet and all below it are in the hand: what the bench file calls pan_load
    bench.advance(20)
    assert bench.action()["code"] == "wait-zero"
    assert sum(p["kind"] == "zero" for p in bench.run.points) == zeros  # type: ignore[union-attr]
    bench.pressed, bench.offset = 0.0, bench.offset + 0.4e-3  # back, a little aside of where it stood
    bench.until(lambda: is_placing(bench.action()), 60)
    again = bench.run.points[-1]  # type: ignore[union-attr]
    assert again["kind"] == "zero"
    assert again["value_kg"] == pytest.approx(bench.offset, abs=5 * again["u_kg"])


@pytest.mark.parametrize("known", [True, False])
def test_spacers_of_unknown_mass_are_done_when_the_balance_is_re_zeroed(known: bool) -> None:
    bench = hands_free()
    if not known:
        run = bench.run
        assert run is not None
        limits = {k: v for k, v in run.limits.items() if k != "spacer_mass_kg"}
        bench.controller.run = replace(run, limits=limits)
    weigh(bench, lambda action: action["code"] == "set-spacers" and leg_of(bench) == 1)
    bench.offset = 0.0  # re-zeroed before anything was changed
    bench.advance(5)
    assert bench.action()["code"] == "set-spacers"
    bench.hands(bench.action())
    bench.advance(5)
    bench.offset = 0.0
    bench.advance(8)
    # With a mass, the masses are counted, and a key that was pressed between hides them.
    assert (bench.action()["code"] == "set-spacers") is known
