"""Faults of the lift, each with its defined outcome, on the virtual bench.

What must hold is stated in each test; the rules are the project's own safety rules (a fault that can
still be acted on sends the lift to the far end; a spoilt branch is walked again; no reading is
recorded that is not surely right). No outside source.
"""

import pytest

from tests.support.bench.lift_runs import finish, one_way_everywhere, started, used
from weighloop.daemon.control.pending import Refused
from weighloop.daemon.procedure import events
from weighloop.drivers.device import DeviceState


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
