"""The turner: stops, resets, jams, lost steps, a stuck switch: its angle is right, or nobody claims it."""

from __future__ import annotations

import contextlib

import pytest

from tests.support.lift.lift_campaign import campaign
from tests.support.lift.lift_emulator import FAST, MOST_SLIP, Moving, Rig, wait_for
from weighloop.drivers.device import DeviceRefused, DeviceState
from weighloop.drivers.lift.frames import HOLD, STOP
from weighloop.drivers.lift.lift import PositionVoid

pytestmark = pytest.mark.firmware


# ---- stops ----


@pytest.mark.parametrize("stop", [STOP, b"\nM112\n", b"x" * 200 + b" M112\n"], ids=["byte", "word", "wreck"])
def test_a_stop_voids_both_axes(upright: Rig, stop: bytes) -> None:
    moving = upright.begin_turn()
    upright.raw(stop)
    assert isinstance(moving.end(), PositionVoid)
    stood = upright.emulator.state["turn_edges"]
    wait_for(upright.standing_still)
    assert upright.emulator.state["turn_edges"] - stood <= 1
    assert upright.lift.orientation is None
    upright.say("M999")
    status = upright.status()
    assert not status.homed
    assert "A?" in status.flags
    for line in ("G0 A0", "G0 A180", "G0 Z40", "G0 Z49.4"):
        with pytest.raises(PositionVoid, match="unhomed"):
            upright.say(line)
    upright.home()
    assert upright.lift.orientation == 1
    upright.check_interlocks()


def test_the_button_stops_a_turn(upright: Rig) -> None:
    moving = upright.begin_turn()
    upright.emulator("button 1")
    assert "stop button" in str(moving.end())
    stood = upright.emulator.state["turn_edges"]
    wait_for(upright.standing_still)
    assert upright.emulator.state["turn_edges"] - stood <= 1
    upright.emulator("button 0")
    upright.home()


def test_a_held_turn_keeps_z_and_lets_nothing_close(upright: Rig) -> None:
    upright.lift.approach(46e-3)
    moving = upright.begin_turn()
    upright.raw(HOLD)
    assert isinstance(moving.end(), PositionVoid)
    upright.check(height=46e-3)  # of Z nothing is lost
    assert upright.lift.orientation is None
    with contextlib.suppress(PositionVoid):
        upright.say("G0 Z45.9")
    assert upright.standing_still()
    upright.say("G0 Z47")  # opening is always right
    wait_for(upright.standing_still)
    upright.check(height=47e-3)
    upright.home()
    upright.check_interlocks()


def test_a_silent_host_stops_a_turn(upright: Rig) -> None:
    upright.say("M113 S1000")
    moving = upright.begin_turn()
    upright.emulator("lost-bytes 1 0")
    assert moving.end() is not None
    upright.emulator("lost-bytes 0 0")
    wait_for(lambda: not upright.lift._link.known)
    status = upright.status()
    assert status.words["R"] == 5
    assert "A?" in status.flags
    upright.home()


# ---- resets ----


@pytest.mark.parametrize("how", ["brown-out 5", "reset-pin 1600", "hang"])
def test_after_a_reset_in_mid_turn_first_up_then_the_angle(upright: Rig, how: str) -> None:
    upright.lift.approach(46e-3)
    moving = upright.begin_turn()
    upright.emulator(how)
    assert isinstance(moving.end(), PositionVoid)
    wait_for(lambda: upright.lift.state is DeviceState.READY)
    rod = upright.emulator.state["rod"]
    for line in ("G0 A180", "G0 Z30"):
        with contextlib.suppress(PositionVoid):
            upright.say(line)
    assert upright.emulator.state["rod"] == rod  # nothing moves by itself
    upright.emulator("mark")
    homing = Moving(upright.home)
    wait_for(lambda: upright.emulator.state["rod"] != rod)
    assert upright.emulator.state["farthest_um"] > 49_960  # at the far-end switch before it turned
    assert homing.end() is None
    assert upright.lift.orientation == 1
    upright.check_interlocks()


def test_a_count_that_outlived_a_reset_tells_of_lost_steps(upright: Rig) -> None:
    """The count is kept where it truly can be: not over a power cut, and then it says so."""
    upright.lift.approach(45e-3)
    upright.emulator("lose 7")
    upright.lift.approach(44e-3)
    upright.emulator("reset-pin 0")
    wait_for(lambda: not upright.lift._link.known)
    upright.home()
    assert upright.lift.lost_steps == -7
    upright.lift.approach(45e-3)
    upright.emulator("lose 7")
    upright.lift.approach(44e-3)
    upright.lift.stop()
    upright.home()
    assert upright.lift.lost_steps == -7
    upright.emulator("brown-out 5")
    wait_for(lambda: not upright.lift._link.known)
    upright.home()
    assert upright.lift.lost_steps is None
    assert upright.lift.lost_height is None


def test_steps_lost_before_a_homing_that_failed_are_told_by_the_next(upright: Rig) -> None:
    """The far-end switch was found, the angle was not: what that homing saw is not forgotten."""
    upright.lift.approach(45e-3)
    upright.emulator("lose 7")
    upright.lift.approach(44e-3)
    moving = upright.begin(20e-3)
    upright.emulator("twist 300")
    assert moving.end() is not None
    upright.emulator("lamp 0")
    with pytest.raises(DeviceRefused, match="not confirmed"):
        upright.lift.establish()
    upright.emulator("lamp -1")
    upright.home()
    assert upright.lift.lost_steps == -7
    upright.emulator("twist 300")  # the same, but the coils were off in between: the count says nothing
    upright.emulator("lamp 0")
    # The lift's own word that the angle is gone may come while it is asked.
    with pytest.raises((DeviceRefused, PositionVoid), match=r"not confirmed|not known any more"):
        upright.lift.establish()
    upright.emulator("lamp -1")
    upright.say("M18")
    upright.home()
    assert upright.lift.lost_steps is None


# ---- what breaks ----


@pytest.mark.parametrize("steps", [1, 7, 32, MOST_SLIP])
def test_few_lost_steps_are_made_good_and_told(upright: Rig, steps: int) -> None:
    moving = upright.begin_turn()
    upright.emulator(f"turner-lose {steps}")
    assert moving.end() is None
    assert upright.emulator.off_by(180) == 0
    assert upright.status().words["Q"] == steps


@pytest.mark.parametrize(
    ("orientation", "steps"),
    [(-1, MOST_SLIP + 1), (-1, 1600), (1, MOST_SLIP + 1), (1, 256), (1, 1344), (1, 3000)],
)
def test_more_lost_steps_are_a_jam(upright: Rig, orientation: int, steps: int) -> None:
    if orientation > 0:
        upright.lift.turn(-1)
    moving = upright.begin_turn(orientation)
    upright.emulator(f"turner-lose {steps}")
    error = moving.end()
    assert isinstance(error, PositionVoid)
    assert "angle was not confirmed" in str(error)
    assert upright.lift.orientation is None
    with contextlib.suppress(PositionVoid, DeviceRefused):
        upright.lift.approach(20e-3)
    with contextlib.suppress(PositionVoid):
        upright.say("G0 Z20")
    assert upright.standing_still()
    upright.emulator("turner-lose 0")
    upright.home()
    upright.check_interlocks()


def test_steps_lost_on_the_last_stretch_cannot_pass_for_an_end(upright: Rig) -> None:
    """Whatever is lost and wherever: the reported angle is the rod's, or there is none."""
    for left in (300, 200, 100, 40, 12, 6, 2):
        target = -upright.lift.orientation if upright.lift.orientation else -1
        upright.emulator("speed 10")
        begun = upright.emulator.state["turn_edges"]
        moving = Moving(lambda to=target: upright.lift.turn(to))
        wait_for(lambda at=begun + 1600 - left: upright.emulator.state["turn_edges"] >= at)
        upright.emulator("turner-lose 60")
        moving.end()
        upright.emulator("turner-lose 0")
        upright.emulator(f"speed {FAST}")
        status = upright.status()
        upright.check_angle(status)
        if "A?" in status.flags:
            upright.home()


@pytest.mark.parametrize("lamp", [0, 1])
@pytest.mark.parametrize("when", ["before", "under way"])
def test_a_stuck_switch(upright: Rig, lamp: int, when: str) -> None:
    if when == "before":
        upright.emulator(f"lamp {lamp}")
        with contextlib.suppress(PositionVoid, DeviceRefused):
            upright.lift.turn(-1)
    else:
        moving = upright.begin_turn()
        upright.emulator(f"lamp {lamp}")
        assert moving.end() is not None
    assert upright.lift.orientation is None
    with pytest.raises(DeviceRefused, match="angle was not confirmed"):
        upright.lift.establish()
    assert upright.lift.state is DeviceState.FAULT
    with contextlib.suppress(PositionVoid):
        upright.say("G0 Z20")
    assert upright.standing_still()
    upright.emulator("lamp -1")
    upright.home()
    assert upright.lift.orientation == 1
    upright.check_interlocks()


def test_a_jam_that_stays(upright: Rig) -> None:
    moving = upright.begin_turn()
    upright.emulator("turner-jam 1")
    assert isinstance(moving.end(), PositionVoid)
    with pytest.raises(DeviceRefused, match="angle was not confirmed"):
        upright.lift.establish()
    upright.emulator("turner-jam 0")
    upright.home()
    upright.check_interlocks()


def test_a_rod_moved_by_hand_is_noticed(upright: Rig) -> None:
    upright.emulator("twist 300")
    wait_for(lambda: upright.lift.orientation is None)
    with pytest.raises(PositionVoid):
        upright.lift.approach(20e-3)
    upright.home()
    upright.check_interlocks()


def test_a_rod_that_leaves_its_end_stops_the_closing(upright: Rig) -> None:
    moving = upright.begin(10e-3)
    upright.emulator("twist 300")
    assert "the turner left its end" in str(moving.end())
    wait_for(upright.standing_still)
    assert upright.emulator.state["motor_um"] > 11_000
    upright.home()


def test_a_plug_pulled_out_lets_nothing_close(upright: Rig) -> None:
    upright.emulator("turner 0 8")  # dark without its lamp, and still known to be fitted
    wait_for(lambda: upright.lift.orientation is None)
    with contextlib.suppress(PositionVoid):
        upright.say("G0 Z20")
    assert upright.standing_still()


def test_a_stuck_far_switch_never_leads_nearer(plugged: Rig) -> None:
    plugged.emulator("switch 1")
    before = plugged.emulator.state["motor_um"]
    for _ in range(3):
        with pytest.raises(DeviceRefused, match="switch"):
            plugged.lift.establish()
    assert plugged.emulator.state["motor_um"] == before
    assert plugged.emulator.state["turn_edges"] == 0


def test_everything_going_wrong(plugged: Rig) -> None:
    """The long one is a benchmark; this is its beginning."""
    wait_for(lambda: plugged.lift.state is DeviceState.READY)
    tally = campaign(plugged, moves=16, turns=8, resets=2, seed=3)
    assert tally["wrong"] == tally["low turns"] == tally["closed between"] == 0, tally
    assert tally["moves"] == 16
