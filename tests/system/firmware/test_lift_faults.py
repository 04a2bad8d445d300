"""Damage, losses, resets, halts and silence: the position is right, or nobody claims to know it."""

from __future__ import annotations

import random

import pytest

from tests.support.lift.lift_emulator import Rig, wait_for
from weighloop.drivers.device import DeviceError, DeviceRefused, DeviceState
from weighloop.drivers.lift.frames import STOP, seal
from weighloop.drivers.lift.lift import PositionVoid

pytestmark = pytest.mark.firmware

AT_ONCE = 3  # steps the stage may still make after a stop: those that were due while the line was read


def test_a_damaged_line_is_sent_again(homed: Rig) -> None:
    homed.say("M155 S0")  # so that the damage does not fall on telemetry
    for fault in ("flip 14 0", "lose-byte 9 0", "frame-error 6", "flip 0 3", "lose-byte 0 5"):
        resent = homed.lift._link.resent
        height = homed.lift.where().height - 1e-3
        homed.emulator(fault)
        homed.lift.approach(height)
        assert homed.lift._link.resent > resent, fault
        homed.check(height)


def test_a_whole_line_lost_either_way(homed: Rig) -> None:
    for ways in ("1 0", "0 1"):
        homed.emulator(f"lost-bytes {ways}")
        moving = _start(homed, 40e-3 if ways == "1 0" else 35e-3)
        wait_for(lambda: homed.lift._link.resent > 0)
        homed.emulator("lost-bytes 0 0")
        assert moving.end() is None
        homed.check()
        homed.lift._link.resent = 0
    homed.check(height=35e-3)


def _start(rig: Rig, height: float):
    from tests.support.lift.lift_emulator import Moving

    return Moving(lambda: rig.lift.approach(height))


def test_a_noisy_wire_never_misplaces(homed: Rig) -> None:
    homed.emulator("seed 7")
    homed.emulator("bit-errors 0.0005 0.0005")
    homed.emulator("lost-bytes 0.0005 0.0005")
    heights = random.Random(5)
    arrived = 0
    for _ in range(16):
        height = round(heights.uniform(44, 48.5), 2) * 1e-3
        try:
            homed.lift.approach(height)
        except PositionVoid:  # a stop byte made of noise: allowed to stop, never to misplace
            homed.home()
        except DeviceRefused:  # a hold byte made of noise
            homed.check()
            assert homed.status().words["R"] == 1
        else:
            homed.check(height)
            arrived += 1
    assert arrived > 8
    assert homed.emulator.state["damaged"] > 10


def test_stale_skipped_unnumbered_and_forged_lines_move_nothing(homed: Rig) -> None:
    homed.lift.approach(45e-3)
    last, edges = homed.lift._link._number, homed.emulator.state["edges"]
    lines = [seal(f"N{last - 1} G28"), seal(f"N{last} G0 Z38"), seal(f"N{last + 2} G0 Z38"), seal("G0 Z38")]
    lines += [b"G0 Z38\n", b"N%d G0 Z38*00000000\n" % (last + 1), b"\r\n" * 20, b"\n" * 20]
    lines += [seal(f"N{last + 1} G0 Z38")[:-2] + b"\n", seal(f"N{last + 1} G0 Z38").lower()]
    for line in lines:
        homed.raw(line)
        wait_for(homed.quiet)
    assert homed.standing_still()
    assert homed.emulator.state["edges"] == edges
    homed.check(height=45e-3)


def test_a_repeated_line_is_obeyed_once(homed: Rig) -> None:
    homed.lift.approach(45e-3)
    edges = homed.emulator.state["edges"]
    homed.raw(seal(f"N{homed.lift._link._number} G1 Z45 F120") * 5)
    assert homed.standing_still()
    assert homed.emulator.state["edges"] == edges
    homed.check(height=45e-3)


def test_hold_keeps_the_position(homed: Rig) -> None:
    moving = homed.begin(10e-3)
    homed.lift.hold()
    assert "held on the way" in str(moving.end())
    assert homed.lift.where().height > 11e-3
    homed.check()
    homed.lift.approach(10e-3)
    homed.check(height=10e-3)


# ---- stops ----


def test_stop_from_another_thread(homed: Rig) -> None:
    moving = homed.begin(10e-3)
    homed.lift.stop()
    assert isinstance(moving.end(), PositionVoid)
    wait_for(homed.standing_still)
    assert homed.emulator.state["motor_um"] > 11_000
    with pytest.raises(PositionVoid):
        homed.lift.approach(10e-3)
    homed.home()


@pytest.mark.parametrize(
    "stop",
    [
        STOP,
        b"\nM112\n",
        b"N1 M112*DEADBEEF\n",
        b"\x01 rubbish M112 ",
        b"x" * 200 + b" M112\n",
        b"N5 G1 Z10" + STOP + b" F60\n",
    ],
    ids=["byte", "bare", "wrong check", "no newline", "endless line", "byte inside a line"],
)
def test_stop_is_obeyed_however_it_comes(homed: Rig, stop: bytes) -> None:
    moving = homed.begin(10e-3)
    homed.raw(stop + b"\n")
    error = moving.end()
    assert isinstance(error, PositionVoid)
    assert "stopped by command" in str(error)
    assert homed.standing_still()
    assert homed.emulator.state["motor_um"] > 11_000


def test_after_a_halt_the_lift_itself_refuses_to_move_unhomed(homed: Rig) -> None:
    homed.lift.stop()
    wait_for(lambda: homed.status().words["M"] == 4)
    with pytest.raises(PositionVoid, match="halt"):
        homed.say("G1 Z40 F120")
    homed.say("M999")
    assert not homed.status().homed
    with pytest.raises(PositionVoid, match="unhomed"):
        homed.say("G1 Z40 F120")
    assert homed.standing_still()
    homed.home()


def test_what_only_looks_like_a_stop_is_none(homed: Rig) -> None:
    moving = homed.begin(45e-3)
    homed.raw(b"\nM1120\nXM112\nM11 2\nN3M112\n")
    assert moving.end() is None
    homed.check(height=45e-3)


def test_the_stop_button(homed: Rig) -> None:
    moving = homed.begin(10e-3)
    before = homed.emulator.steps
    homed.emulator("button 1")
    error = moving.end()
    assert isinstance(error, PositionVoid)
    assert "stop button" in str(error)
    assert homed.standing_still()
    # 1 ms until it is looked at, at 3200 steps/s, and what the stage does between two looks of the test.
    assert before - homed.emulator.steps < 3200 * 0.25
    with pytest.raises(DeviceRefused, match="stop button is pressed"):
        homed.lift.establish()
    assert homed.standing_still()
    homed.emulator("button 0")
    assert homed.standing_still()  # letting go of the button starts nothing
    homed.home()


def test_the_button_stops_while_the_controller_is_talking(homed: Rig) -> None:
    """A flood of lines keeps the main loop busy; the button does not wait for it."""
    homed.begin(1e-3)
    homed.raw(b"N1 G0\n" * 400)
    homed.emulator("button 1")
    after = homed.emulator.state["net"]
    wait_for(homed.standing_still)
    assert abs(homed.emulator.state["net"] - after) <= 3200 // 1000 + AT_ONCE


# ---- resets ----


@pytest.mark.parametrize("way", [200, 4000, 12000])
def test_a_brown_out_under_way(homed: Rig, way: int) -> None:
    start = homed.emulator.state["edges"]
    moving = _start(homed, 39e-3)
    wait_for(lambda: homed.emulator.state["edges"] - start > way)
    homed.emulator("brown-out 5")
    assert isinstance(moving.end(), PositionVoid)
    wait_for(lambda: homed.lift.state is DeviceState.READY)
    edges = homed.emulator.state["edges"]
    with pytest.raises(PositionVoid):
        homed.lift.approach(45e-3)
    assert homed.emulator.state["edges"] == edges
    assert homed.emulator.state["unpowered"] == 0
    homed.home()


def test_a_reset_at_rest_is_noticed(homed: Rig) -> None:
    homed.emulator("brown-out 0")
    wait_for(lambda: any(state == "lost" for state, _ in homed.heard.states))
    assert not homed.heard.positions[-1].known


def test_a_line_of_the_old_session_moves_nothing(homed: Rig) -> None:
    old = seal(f"N{homed.lift._link._number + 1} G1 Z2 F120")
    homed.emulator("brown-out 0")
    homed.raw(old)
    wait_for(lambda: any(state == "lost" for state, _ in homed.heard.states))
    edges = homed.emulator.state["edges"]
    homed.raw(old)
    assert homed.standing_still()
    assert homed.emulator.state["edges"] == edges


def test_opening_the_port_may_reset_the_board(homed: Rig) -> None:
    """Reset pin, then 1.6 s in the boot loader, deaf."""
    homed.lift.close()
    homed.emulator("reset-pin 1600")
    homed.another()
    wait_for(lambda: homed.lift.state is DeviceState.READY)
    assert not homed.lift.where().known
    homed.home()


def test_a_hung_controller_is_reset_by_its_watchdog(homed: Rig) -> None:
    moving = homed.begin(10e-3)
    homed.emulator("hang")
    assert isinstance(moving.end(), PositionVoid)
    assert homed.emulator.state["watchdog"] == 1
    assert homed.standing_still()


def test_a_second_host_must_establish_the_position_again(homed: Rig) -> None:
    homed.lift.approach(40e-3)
    homed.another()
    wait_for(lambda: homed.lift.state is DeviceState.READY)
    homed.check(height=40e-3)  # the lift still knows
    with pytest.raises(PositionVoid):  # its new host does not take that on trust
        homed.lift.approach(30e-3)
    homed.home()


# ---- the far-end switch ----


def test_a_switch_that_never_opens(rig: Rig) -> None:
    rig.emulator("switch 1")
    with pytest.raises(DeviceRefused, match="switch"):
        rig.lift.establish()
    assert rig.lift.state is DeviceState.FAULT
    with pytest.raises(PositionVoid):
        rig.lift.approach(10e-3)


def test_a_switch_that_never_closes(rig: Rig) -> None:
    rig.emulator("switch 0")
    wait_for(lambda: rig.lift.state is DeviceState.READY)
    rig.say("M113 S60000")
    rig.emulator("speed 40")  # 55 mm at 1 mm/s
    with pytest.raises(DeviceRefused, match="switch"):
        rig.lift.establish()
    assert not rig.status().homed
    assert rig.emulator.state["net"] == 88_000  # it went away from the balance, and no farther


def test_the_switch_met_under_way(homed: Rig) -> None:
    homed.lift.approach(30e-3)
    moving = homed.begin(45e-3)
    homed.emulator("switch 1")
    error = moving.end()
    assert isinstance(error, PositionVoid)
    assert "far-end switch" in str(error)
    homed.emulator("switch -1")
    homed.home()


# ---- silence ----


def test_a_silent_host_stops_the_stage(homed: Rig) -> None:
    lift = homed.another(speed=0.5e-3)
    homed.home()
    homed.say("M113 S6000")
    moving = homed.begin(1e-3)
    homed.emulator("lost-bytes 1 0")
    wait_for(homed.standing_still)
    assert homed.emulator.state["motor_um"] > 10_000
    assert isinstance(moving.end(), DeviceError)
    homed.emulator("lost-bytes 0 0")
    wait_for(lambda: homed.lift.state is DeviceState.READY)
    assert homed.status().words["R"] == 5
    homed.check()  # ramped down, nothing lost
    nearer = round(lift.where().height - 0.5e-3, 5)
    lift.approach(nearer)
    homed.check(height=nearer)


def test_a_host_that_talks_is_not_silent(homed: Rig) -> None:
    homed.emulator("speed 1")  # the driver's clock is the faster one: it asks early enough
    homed.say("M113 S1500")
    homed.lift.approach(44e-3)  # 2.7 s
    homed.check(height=44e-3)


def test_silence_while_homing(rig: Rig) -> None:
    wait_for(lambda: rig.lift.state is DeviceState.READY)
    rig.say("M113 S600")
    rig.say("M155 S0")
    rig.say("G28")
    rig.emulator("lost-bytes 1 0")
    wait_for(lambda: rig.emulator.state["edges"] > 300)
    wait_for(rig.standing_still)
    rig.emulator("lost-bytes 0 0")
    wait_for(lambda: rig.lift.state is DeviceState.READY)
    assert rig.status().words["R"] == 5
    assert not rig.status().homed
