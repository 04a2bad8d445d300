"""Whole runs on the virtual bench: order, zeros, turns, what is told and when."""

from itertools import pairwise
from typing import Any

import pytest

from tests.support.bench.virtual_bench import STRONG, VirtualBench, attraction
from weighloop.analysis.settling import SettlingFilter
from weighloop.daemon.control.pending import Refused
from weighloop.daemon.control.settings import NEWEST
from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.run import replay


def test_a_lift_run_goes_round_the_loop_in_history_safe_order() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate()
    run = bench.run
    assert run is not None
    assert run.state == "finished"
    points = [p for p in run.points if p["kind"] == "point"]
    # Each passage one way only: design of a hysteresis measurement (common practice, no source).
    for leg, sign in ((0, -1), (1, 1), (2, -1), (3, 1), (4, -1)):
        gaps = [p["gap_m"] for p in points if p["leg"] == leg]
        assert all(sign * (b - a) > 0 for a, b in pairwise(gaps)), leg
    assert [p["orientation"] for p in points if p["leg"] in (0, 1, 4)] == [1] * 11
    assert {p["orientation"] for p in points if p["leg"] in (2, 3)} == {-1}
    # Zeros at the start, at both turns and at the end, each read with the sample off.
    assert [p["kind"] for p in run.points].count("zero") == 4
    for point in run.points:
        if point["kind"] == "zero":
            assert abs(point["value_kg"] - bench.offset) < 4 * point["u_kg"]


def test_a_still_bench_shows_no_drift_and_a_moved_one_does() -> None:
    for moved, words in ((0.0, "none seen"), (50e-6, "look at the zeros")):
        bench = VirtualBench(seed=4)
        bench.start("lift", points=3)
        bench.operate(stop=lambda bench=bench: _leg(bench) == 3)
        bench.offset += moved
        bench.operate()
        assert bench.run is not None
        (check,) = [e for e in bench.store.events(bench.run.id) if e.kind == "drift"]
        assert words in check.text


def test_every_reading_is_the_bench_s_own_within_its_uncertainty() -> None:
    bench = VirtualBench(seed=3)
    bench.start("lift", points=4)
    bench.operate()
    assert bench.run is not None
    for point in bench.run.points:
        if point["kind"] == "point":
            height = point["height_m"] or 0.0
            # Turned over, the sample is pushed until the field is strong enough to turn it.
            sign = 1 if point["leg"] in (2, 4) and height >= STRONG else -1
            assert abs(point["value_kg"] - sign * attraction(height)) < 4 * point["u_kg"]


def test_a_point_is_told_only_after_it_is_committed() -> None:
    bench = VirtualBench()
    seen: list[tuple[int, int]] = []

    def told(topic: str, data: object) -> None:
        if topic == "point":
            rows = bench.store.db.execute("SELECT count(*) FROM points").fetchone()[0]
            seen.append((len(seen) + 1, rows))

    bench.controller.publisher.publish = told
    bench.start("lift", points=4)
    bench.operate()
    assert len(seen) > 20
    assert all(rows >= number for number, rows in seen)


def test_of_readings_that_piled_up_only_those_of_a_measurement_are_all_followed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As on a machine too busy for the filter: for one who only looks, the newest do. All are kept."""
    heard: list[float] = []
    feed = SettlingFilter.feed

    def told(self: SettlingFilter, time: float, *what: Any) -> Any:
        heard.append(time)
        return feed(self, time, *what)

    monkeypatch.setattr(SettlingFilter, "feed", told)
    bench = VirtualBench(interval=0.1)
    kept: list[Any] = []
    monkeypatch.setattr(bench.log_writer, "raw", lambda run, readings: kept.extend(readings))
    bench.controller.watched = True
    bench.advance(100.0, step=100.0)
    live = bench.controller.snapshot()["live"]
    assert live is not None
    assert live["time_s"] == pytest.approx(bench.clock.time, abs=0.1)
    assert len(heard) == NEWEST
    assert bench.devices.balance.lines == len(kept) == 1001
    bench.start("lift", points=4)
    bench.operate(stop=lambda: bench.action()["code"] == "wait-zero")
    heard.clear()
    bench.advance(20.0, step=20.0)
    assert len(heard) == 200
    bench.advance(0.1)
    assert bench.run is not None
    assert bench.run.last("zero") is not None


def test_nothing_moves_before_the_reading_is_committed() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate(stop=lambda: len(bench.run.points) >= 3)  # type: ignore[union-attr]
    bench.log_writer.fail = True
    before = list(bench.mover.moves)
    bench.advance(60)
    pending = [entry[3] for entry, _ in bench.log_writer.waiting]
    assert pending == ["point"]
    assert len(bench.mover.moves) <= len(before) + 1  # at most the move that was under way
    bench.log_writer.fail = False
    bench.log_writer.flush()
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"


def test_spacers_have_a_zero_of_their_own_before_each_point() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=4)
    bench.operate()
    run = bench.run
    assert run is not None
    assert run.state == "finished"
    kinds = [(p["kind"], p["spacers"]) for p in run.points]
    for (kind, count), (next_kind, next_count) in zip(kinds[::2], kinds[1::2], strict=True):
        assert (kind, next_kind) == ("zero", "point")
        assert count == next_count


def test_hands_are_seen_by_the_balance_and_a_late_word_does_no_harm() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=4, hands_free=True)
    bench.advance(1.0)
    told = bench.controller.snapshot()["run"]
    assert told is not None
    assert told["hands_free"]
    said = 0
    while bench.run is None or bench.run.state in ("planned", "running"):
        action = bench.action()
        if action["needs_confirm"]:
            bench.hands(action)
            bench.advance(4.0)
            if bench.action() == action:  # the balance cannot tell: a small pull
                bench.say("confirm", code=action["code"])
                said += 1
            elif action["code"] == bench.controller.stage.seen:
                bench.say("confirm", code=action["code"])  # said after it was seen: nothing happens
        bench.advance(0.5)
    assert bench.run.state == "finished"
    seen = [e for e in bench.store.events(bench.run.id) if e.data.get("how") == "seen by the balance"]
    assert len(seen) > 20
    assert said < len(seen)


def test_a_word_for_another_action_is_refused() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=4)
    bench.until(lambda: bench.action()["code"] == "remove-sample")
    with pytest.raises(Refused, match="not what is asked"):
        bench.say("confirm", code="place-sample")


def test_a_word_whose_asker_gave_up_waiting_is_not_obeyed_and_harms_nothing() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate(stop=lambda: len(bench.run.points) == 2)  # type: ignore[union-attr]
    late = [bench.controller.ask(events.Asked("stop")), bench.controller.call(bench.controller.snapshot)]
    assert all(future.cancel() for future in late)  # as a client's patience ends it
    bench.advance(1)
    assert bench.run is not None
    assert bench.run.state == "running"
    kept = bench.controller.ask(events.Asked("hold"))
    bench.controller.inbox.get()()  # taken up: from now on it is done, whoever waits for it
    assert not kept.cancel()
    bench.advance(1)
    assert bench.run.state == "held"
    assert kept.result(0)


def test_hold_and_go_on_at_the_same_height_spoils_nothing() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate(stop=lambda: len(bench.run.points) == 8)  # type: ignore[union-attr]
    steps = len(bench.run.steps)  # type: ignore[union-attr]
    bench.say("hold", "tea")
    bench.advance(60)
    assert bench.run is not None
    assert (bench.run.state, bench.run.why) == ("held", "tea")
    bench.say("go-on")
    bench.operate()
    assert bench.run.state == "finished"
    assert len(bench.run.steps) == steps
    assert all(p["set_aside"] is None for p in bench.run.points)


def test_repeat_takes_the_reading_again_only_where_the_sample_still_stands() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate(stop=lambda: len(bench.run.points) == 4)  # type: ignore[union-attr]
    bench.say("hold")
    bench.advance(30)
    assert bench.run is not None
    last = bench.run.points[-1]
    if bench.controller.stage.height == last["height_m"]:
        bench.say("repeat")
        again = [p for p in bench.run.points if p["set_aside"] == "taken again"]
        assert [p["id"] for p in again] == [last["id"]]
    else:
        with pytest.raises(Refused, match="spoil"):
            bench.say("repeat")


def test_stop_brings_the_lift_to_the_far_end() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate(stop=lambda: len(bench.run.points) == 6)  # type: ignore[union-attr]
    bench.say("stop", "enough")
    bench.advance(60)
    assert bench.run is not None
    assert bench.run.state == "stopped"
    assert bench.height == bench.travel


def test_the_log_alone_gives_the_run_again() -> None:
    bench = VirtualBench()
    bench.start("lift", points=4)
    bench.operate()
    assert bench.run is not None
    assert replay(bench.run.id, bench.store.events(bench.run.id)).points == bench.run.points
    assert bench.store.verify() == []


@pytest.mark.costly
def test_a_wrong_count_of_spacers_is_asked_about() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=6)
    bench.operate(
        stop=lambda: _leg(bench) == 1 and bench.action()["code"] == "set-spacers" and _taken(bench, 1) > 1
    )
    wanted = bench.action()["spacers"]
    bench.hands({"code": "set-spacers", "spacers": wanted - 2})  # stepped back instead of on
    bench.say("confirm")
    bench.until(lambda: bench.action()["needs_confirm"], 60)
    assert bench.action()["code"] == "question"
    assert "spacer masses" in bench.action()["text"]
    points = len([p for p in bench.run.points if p["kind"] == "point"])  # type: ignore[union-attr]
    bench.say("confirm", "once more")
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"
    kept = [p for p in bench.run.points if p["kind"] == "point" and p["set_aside"] is None]
    assert len(kept) > points


def _leg(bench: VirtualBench) -> int:
    step = bench.run.next_step if bench.run is not None else None
    return step["leg"] if step is not None else -1


def _taken(bench: VirtualBench, leg: int) -> int:
    assert bench.run is not None
    return sum(p["leg"] == leg and p["kind"] == "point" for p in bench.run.points)


def test_runs_wait_in_line_and_loops_follow_each_other() -> None:
    bench = VirtualBench()
    first = bench.start("lift", points=3)
    second = bench.start("lift", points=3)
    assert bench.run is not None
    assert bench.run.id == first
    bench.operate()
    bench.advance(60)
    assert bench.run.id == second
    bench.operate()
    assert [line["state"] for line in bench.store.runs()] == ["finished", "finished"]


def test_a_noisy_reading_is_taken_with_its_own_uncertainty_only_when_a_person_says_so() -> None:
    bench = VirtualBench()
    bench.start("lift", points=3)
    bench.operate(stop=lambda: bench.run is not None and len(bench.run.points) == 3)
    assert bench.run is not None
    number = bench.run.next_step["step"]  # type: ignore[index]
    reading = {
        "value_kg": -0.05,
        "u_kg": 7e-6,
        "drift_kg_per_s": 0.0,
        "time_s": 1.0,
        "utc": "u",
        "settled_in_s": 120.0,
        "temperature_K": None,
    }
    bench.until(lambda: bench.action()["code"] == "wait-reading")
    serial = bench.controller.stage.serial
    bench.controller.happen(events.NotSettled(serial, "the noise leaves 7 mg", reading))
    bench.advance(0.1)
    assert bench.run.state == "held"
    assert bench.action()["code"] == "question"
    with pytest.raises(Refused, match="answer"):
        bench.say("confirm")
    bench.say("confirm", "take as it is")
    bench.operate()
    (taken,) = [point for point in bench.run.points if point["step"] == number]
    assert (taken["value_kg"], taken["u_kg"]) == (-0.05, 7e-6)


def test_a_run_that_does_not_settle_is_held_with_the_filter_s_words_and_tried_again() -> None:
    bench = VirtualBench(noise=0.4e-6)
    bench.start("lift", points=4)
    bench.operate(stop=lambda: len(bench.run.points) == 4)  # type: ignore[union-attr]
    bench.noise = 2e-3
    bench.until(lambda: bench.run.state == "held", 300)  # type: ignore[union-attr]
    assert bench.run is not None
    assert bench.run.code == "not-settled"
    assert "did not settle in 12" in bench.run.why
    bench.noise = 0.4e-6
    bench.advance(700, step=0.5)
    assert bench.run.state in ("running", "finished")
    bench.operate()
    assert all(p["set_aside"] is None for p in bench.run.points)


def test_spacers_asked_for_are_asked_for_again_after_a_hold_and_not_after_a_stop() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=3)
    bench.operate(stop=lambda: bench.action()["code"] == "set-spacers")
    asked = bench.action()
    serial = bench.controller.stage.serial
    bench.say("hold", "tea")
    bench.advance(1)
    with pytest.raises(Refused, match="not what is asked"):
        bench.say("confirm", code="set-spacers")
    bench.say("go-on")
    bench.advance(1)
    assert bench.action() == asked
    assert bench.controller.stage.serial > serial  # a word for the old one would not count
    bench.say("stop", "enough")
    bench.advance(1)
    assert bench.run is not None
    assert bench.run.state == "stopped"
    assert not bench.action()["needs_confirm"]
    bench.start("spacers", points=3)
    bench.operate()
    assert bench.run.state == "finished"


def test_spacers_that_cannot_be_set_hold_the_run() -> None:
    bench = VirtualBench()
    bench.start("spacers", points=3)
    bench.operate(stop=lambda: bench.action()["code"] == "set-spacers")
    bench.controller.happen(events.LiftFailed(bench.controller.stage.serial, "not a whole number of spacers"))
    bench.advance(1)
    assert bench.run is not None
    assert (bench.run.state, bench.run.code, bench.run.why) == (
        "held",
        "spacers",
        "not a whole number of spacers",
    )
