"""Faults of the bench, each with its defined outcome, on the virtual bench: nights pass in seconds.

What must hold is stated in each test; the rules are the project's own safety rules (a fault that can
still be acted on sends the lift to the far end; a spoilt branch is walked again; no reading is
recorded that is not surely right). No outside source.
"""

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from tests.support.virtual_bench import VirtualBench
from weighloop.daemon.control.pending import Refused
from weighloop.daemon.procedure import events
from weighloop.drivers.device import BalanceReading, DeviceState


def started(points_taken: int, points: int = 4) -> VirtualBench:
    """A lift run with so many readings taken (zeros too)."""
    bench = VirtualBench()
    bench.start("lift", points=points)
    bench.operate(stop=lambda: bench.run is not None and len(bench.run.points) >= points_taken)
    return bench


def finish(bench: VirtualBench) -> None:
    bench.operate()
    assert bench.run is not None
    assert bench.run.state == "finished"
    assert bench.store.verify() == []


def used(bench: VirtualBench, leg: int) -> list[float]:
    assert bench.run is not None
    return [
        point["gap_m"] or 0.0
        for point in bench.run.points
        if point["kind"] == "point" and point["leg"] == leg and point["set_aside"] is None
    ]


def one_way_everywhere(bench: VirtualBench) -> None:
    """The readings still in use walk each leg one way only, each gap once."""
    for leg, sign in ((0, -1), (1, 1), (2, -1), (3, 1), (4, -1)):
        gaps = used(bench, leg)
        assert all(sign * (b - a) > 0 for a, b in pairwise(gaps)), (leg, gaps)


class TestBalance:
    def test_a_short_silence_is_borne(self) -> None:
        bench = started(4)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.SILENT, "nothing heard for 0.4 s")
        bench.advance(5)
        assert bench.run is not None
        assert bench.run.state == "running"
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        finish(bench)
        assert all(point["set_aside"] is None for point in bench.run.points)

    def test_a_long_silence_holds_retreats_and_goes_on_by_itself(self) -> None:
        bench = started(6)
        before = used(bench, 1)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.SILENT, "nothing heard for 0.4 s")
        bench.advance(60)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "balance")
        assert bench.height == bench.travel
        assert [alarm["kind"] for alarm in bench.alarms] == ["balance", "held"]
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        bench.advance(1)
        assert bench.run.state == "running"
        assert bench.action()["code"] == "remove-sample"  # the zero is read again before anything else
        finish(bench)
        one_way_everywhere(bench)
        aside = [point for point in bench.run.points if point["set_aside"]]
        assert len(aside) == len(before) + 1  # the branch so far and its starting point, kept and marked

    def test_a_pulled_plug_is_believed_at_once(self) -> None:
        bench = started(5)
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.silent = True
        bench.advance(0.5)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "balance")

    def test_go_on_without_a_balance_is_refused(self) -> None:
        bench = started(5)
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.silent = True
        bench.advance(30)
        with pytest.raises(Refused, match="the port failed"):
            bench.say("go-on")

    def test_no_old_reading_is_taken_for_a_new_one(self) -> None:
        bench = started(4)
        bench.silent = True
        count = len(bench.run.points)  # type: ignore[union-attr]
        bench.advance(9.5)
        assert len(bench.run.points) <= count + 1  # type: ignore[union-attr]
        bench.advance(200)
        assert len(bench.run.points) <= count + 1  # type: ignore[union-attr]


class TestFlippedBits:
    def test_wild_numbers_all_through_a_run_are_told_and_reach_no_point(self) -> None:
        """Every thirtieth line with a digit of tens of grams flipped: as good a line as any other."""
        calm, shaken = VirtualBench(), VirtualBench()
        given = shaken.devices.take_readings
        count = 0

        def flipped() -> list[BalanceReading]:
            nonlocal count
            readings = []
            for reading in given():
                count += 1
                wild = count % 30 == 0 and reading.value is not None
                readings.append(replace(reading, value=reading.value + 0.08) if wild else reading)
            return readings

        shaken.devices.take_readings = flipped  # type: ignore[method-assign]
        for bench in (calm, shaken):
            bench.start("lift", points=4)
            finish(bench)
        assert calm.run is not None
        assert shaken.run is not None
        assert len(shaken.run.points) == len(calm.run.points)
        for one, other in zip(shaken.run.points, calm.run.points, strict=True):
            assert abs(one["value_kg"] - other["value_kg"]) < 4 * math.hypot(one["u_kg"], other["u_kg"])
        texts = [data["text"] for topic, data in shaken.told if topic == "log"]
        assert any("stood alone" in text for text in texts)
        assert max(shaken.store.raw().value_kg) > 0.07  # the raw readings keep them


class TestRange:
    def test_overload_stops_the_move_and_retreats(self) -> None:
        bench = started(4)
        bench.until(lambda: bench.action()["code"] == "wait-move")
        bench.forced = (None, "overload")
        bench.advance(1.0)
        bench.forced = None
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "over-capacity")
        bench.advance(120)
        assert "stop" in bench.mover.moves
        assert bench.height == bench.travel
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)

    def test_one_damaged_line_is_no_overload(self) -> None:
        bench = started(4)
        bench.forced = (None, "overload")
        bench.advance(0.1)
        bench.forced = None
        bench.advance(1.0)
        assert bench.run is not None
        assert bench.run.state == "running"

    def test_a_hand_on_the_pan_is_no_fault(self) -> None:
        bench = started(0)
        bench.until(lambda: bench.action()["code"] == "remove-sample")
        bench.forced = (None, "overload")
        bench.advance(3.0)
        assert bench.run is not None
        assert bench.run.state == "running"

    def test_the_magnet_lifted_off_the_pan_is_told_by_minus_its_weight(self) -> None:
        bench = started(5)
        bench.until(lambda: bench.action()["code"] == "wait-reading")
        bench.forced = (-0.3, "unsteady")
        bench.advance(1.0)
        bench.forced = None
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "magnet-lifted")
        bench.advance(120)
        assert bench.height == bench.travel


class TestLift:
    @pytest.mark.parametrize("taken", [3, 8, 14])
    def test_a_reset_starts_the_branch_again_by_itself(self, taken: int) -> None:
        bench = started(taken)
        bench.controller.happen(events.LiftVoid("the lift was reset", "reset"))
        finish(bench)
        one_way_everywhere(bench)
        for leg in range(5):
            assert len(used(bench, leg)) == len(
                {s["gap_m"] for s in bench.run.plan if s["leg"] == leg and s["gap_m"]}
            )  # type: ignore[union-attr]

    def test_a_reset_between_two_branches_spoils_nothing(self) -> None:
        bench = started(8)
        bench.operate(stop=lambda: bench.action()["code"] == "turn-over")
        bench.controller.happen(events.LiftVoid("the lift was reset", "reset"))
        bench.advance(1)
        finish(bench)
        assert bench.run is not None
        assert all(point["set_aside"] is None for point in bench.run.points)

    def test_a_lift_that_keeps_failing_is_held_and_nothing_more_is_tried(self) -> None:
        bench = started(5)
        bench.lift_fails = ["the move did not end"] * 12
        bench.advance(120)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "lift")
        moves = len(bench.mover.moves)
        bench.advance(600)
        assert len(bench.mover.moves) == moves
        bench.lift_fails = []
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)

    def test_the_stop_button_is_obeyed_until_a_person_says_go_on(self) -> None:
        bench = started(5)
        bench.moving_to = None  # the move under way never ends
        bench.controller.watch.lift_is(DeviceState.FAULT, "the stop button is pressed: the position is void")
        bench.advance(1)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "lift")
        moves = len(bench.mover.moves)
        bench.advance(900)
        assert len(bench.mover.moves) == moves
        bench.say("go-on")
        bench.advance(2)
        assert bench.mover.moves[-1] == "establish"
        finish(bench)

    def test_the_stop_button_outlives_a_hold_for_another_reason(self) -> None:
        bench = started(5)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.advance(30)
        assert bench.run is not None
        assert bench.run.code == "balance"
        bench.controller.watch.lift_is(DeviceState.FAULT, "the stop button is pressed: the position is void")
        moves = len(bench.mover.moves)
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        bench.advance(900)
        assert bench.run.state == "held"  # the balance alone would have let it go on
        assert len(bench.mover.moves) == moves
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)

    def test_two_faults_at_once_are_one_hold_and_the_first_is_the_reason(self) -> None:
        bench = started(5)
        bench.log_writer.fail = True  # the hold is on its way into the log
        bench.controller.watch.lift_is(DeviceState.ABSENT, "no such port")
        bench.moving_to = None
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.log_writer.fail = False
        bench.log_writer.flush()
        bench.advance(1)
        assert bench.run is not None
        assert bench.run.code == "lift"
        assert sum(e.kind == "held" for e in bench.store.events(1)) == 1

    def test_a_reading_on_its_way_into_the_log_goes_with_its_spoilt_branch(self) -> None:
        bench = started(6)
        bench.log_writer.fail = True
        bench.until(lambda: any(entry[3] == "point" for entry, _ in bench.log_writer.waiting), 60)
        bench.moving_to = None
        bench.controller.happen(events.LiftVoid("the lift was reset", "reset"))
        bench.advance(0.1)
        bench.log_writer.fail = False
        bench.log_writer.flush()
        finish(bench)
        one_way_everywhere(bench)

    def test_the_far_end_switch_met_outside_homing_holds_and_homes(self) -> None:
        bench = started(5)
        bench.moving_to = None  # the move under way never ends
        bench.controller.watch.lift_is(DeviceState.FAULT, "the far-end switch was met outside homing")
        bench.advance(120)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "lift")
        assert bench.height == bench.travel

    def test_an_unplugged_lift_waits_for_a_person(self) -> None:
        bench = started(5)
        bench.moving_to = None  # the move under way never ends
        bench.controller.watch.lift_is(DeviceState.ABSENT, "no such port")
        bench.advance(5)
        with pytest.raises(Refused, match="does not answer"):
            bench.say("go-on")
        bench.controller.watch.lift_is(DeviceState.READY, "answers")
        bench.advance(600)
        assert bench.run is not None
        assert bench.run.state == "held"
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)

    def test_lost_steps_set_aside_what_stands_on_them_and_hold(self) -> None:
        bench = started(3)
        bench.lost = 0.04e-3  # four full steps of the motor (hardware notes, wiring)
        bench.operate()
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "lift")
        assert "+0.040 mm" in bench.run.why
        aside = [q for q in bench.run.points if q["set_aside"]]
        assert {q["leg"] for q in aside} == {0, 1}
        assert used(bench, 0) == used(bench, 1) == []
        bench.say("go-on")
        finish(bench)
        # What came after stands on a homing of its own.
        assert [leg for leg in range(5) if used(bench, leg)] == [2, 3, 4]

    def test_readings_that_no_homing_confirms_are_set_aside(self) -> None:
        """A stage that has stuck no longer reaches its switch: where it stood before, nobody knows."""
        bench = started(3)
        bench.operate(
            stop=lambda: bench.action()["code"] == "remove-sample" and bench.run.points[-1]["leg"] == 1
        )  # type: ignore[union-attr]
        bench.lift_fails = ["homing failed: the far-end switch was not found"]
        bench.operate()
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "lift")
        assert "not found" in bench.run.why
        assert used(bench, 0) == used(bench, 1) == []
        bench.advance(60)
        bench.say("go-on")
        finish(bench)
        assert [leg for leg in range(5) if used(bench, leg)] == [2, 3, 4]

    def test_after_a_reset_too_no_homing_means_no_confirmed_readings(self) -> None:
        """The position was void already; what was read since the last homing is no surer for that."""
        bench = started(3)
        bench.operate(
            stop=lambda: bench.action()["code"] == "remove-sample" and bench.run.points[-1]["leg"] == 1
        )  # type: ignore[union-attr]
        bench.lift_fails = ["homing failed: the far-end switch was not found"] * 3
        bench.controller.happen(events.LiftVoid("the lift was reset", "reset"))
        bench.advance(30)
        bench.operate()
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "lift")
        assert "not found" in bench.run.why
        assert used(bench, 0) == used(bench, 1) == []

    def test_a_homing_that_finds_nothing_amiss_sets_nothing_aside(self) -> None:
        bench = started(3)
        bench.lost = -3e-6
        finish(bench)
        assert all(q["set_aside"] is None for q in bench.run.points)  # type: ignore[union-attr]
        assert bench.mover.moves.count("establish") == 4  # at the start and before each zero after readings

    def test_nothing_moves_with_an_unknown_position_but_the_homing(self) -> None:
        bench = started(6)
        bench.moving_to = None  # the move under way never ends
        bench.controller.happen(events.LiftVoid("lost count", "reset"))
        bench.mover.moves.clear()
        bench.advance(60)
        assert bench.mover.moves[0] == "establish"


class TestStoreAndDisk:
    def test_a_full_disk_tells_nobody_anything_and_retreats(self) -> None:
        bench = started(6)
        bench.log_writer.fail = True
        told = len(bench.told)
        bench.controller.happen(
            events.Fault("store", "the store cannot be written: database or disk is full")
        )
        bench.advance(120)
        assert len(bench.told) == told
        assert bench.height == bench.travel
        bench.log_writer.fail = False
        bench.log_writer.flush()
        bench.advance(1)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "store")
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)


class TestInterrupted:
    @pytest.mark.parametrize("taken", [0, 5, 8, 12])
    def test_a_killed_daemon_resumes_through_zero_home_and_history(self, taken: int, tmp_path) -> None:
        first = VirtualBench(tmp_path / "store.sqlite")
        first.start("lift", points=4)
        first.operate(stop=lambda: first.run is not None and len(first.run.points) >= taken)
        assert first.run is not None
        acknowledged = [data["id"] for topic, data in first.told if topic == "point"]
        first.store.close()  # as a kill leaves it: nothing is said to anybody

        bench = VirtualBench(tmp_path / "store.sqlite", seed=2)
        bench.sample_on, bench.orientation, bench.height = first.sample_on, first.orientation, first.height
        bench.clock.time = first.clock.time + 60
        bench._next_reading = bench.clock.time
        bench.controller.resume(bench.store.record(1), "the power was cut")
        bench.advance(10)
        assert bench.run is not None
        assert (bench.run.state, bench.run.why) == ("held", "the power was cut")
        assert bench.mover.moves == []
        bench.say("go-on")
        bench.advance(1)
        assert bench.mover.moves[0] == "establish"
        finish(bench)
        one_way_everywhere(bench)
        kept = {point["id"] for point in bench.run.points}
        assert set(acknowledged) <= kept
        # The first thing read after the interruption is a zero.
        after = [point for point in bench.run.points if point["id"] > max(acknowledged, default=0)]
        assert after[0]["kind"] == "zero"

    def test_spacers_go_on_at_the_same_count_with_a_fresh_zero(self, tmp_path) -> None:
        first = VirtualBench(tmp_path / "store.sqlite")
        first.start("spacers", points=4)
        first.operate(stop=lambda: first.run is not None and len(first.run.points) == 5)
        first.store.close()
        bench = VirtualBench(tmp_path / "store.sqlite", seed=2)
        bench.spacers, bench.offset, bench.sample_on = first.spacers, first.offset, first.sample_on
        bench.clock.time = bench._next_reading = first.clock.time + 60
        bench.controller.resume(bench.store.record(1), "the power was cut")
        bench.advance(2)
        bench.say("go-on")
        finish(bench)
        assert bench.run is not None
        pairs = [(q["kind"], q["spacers"]) for q in bench.run.points]
        for (kind, count), (before, number) in zip(pairs[1:], pairs, strict=False):
            if kind == "point":
                assert (before, number) == ("zero", count)
