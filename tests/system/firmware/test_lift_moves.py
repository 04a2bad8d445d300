"""Homing, moves, limits, words and telemetry: host driver and firmware together."""

from __future__ import annotations

import contextlib

import pytest

from tests.support.lift.lift_emulator import SPEED, UM_PER_STEP, Rig, wait_for
from weighloop.drivers.device import DeviceRefused, DeviceState
from weighloop.drivers.lift.lift import PositionVoid

pytestmark = pytest.mark.firmware


def test_a_ladder_there_and_back(homed: Rig) -> None:
    homed.another(speed=4e-3)
    homed.home()
    homed.emulator("mark")
    for millimetres in (30.0, 20.0, 19.99, 12.345, 0.0, 0.001, 7.5, 40.0):
        position = homed.lift.approach(millimetres * 1e-3)
        assert position.known
        assert position.height == pytest.approx(millimetres * 1e-3, abs=1e-9)
        homed.check(height=millimetres * 1e-3)
    state = homed.emulator.state
    assert state["unpowered"] == 0
    # A usual step driver wants 2 us pulses, its direction 1 us ahead (common practice, no source);
    # 4 mm/s are 6400 steps/s, one in 156 us by the timer's half microseconds. The longest interrupt, that of
    # each millisecond, may delay a step by 17 us, counted under a host that never stops asking: the next
    # follows so much sooner, but of 64 on end no more is gained.
    assert state["pulse_us"] > 2
    assert state["lead_us"] > 100
    assert state["interval_us"] > 156 - 20
    assert state["run_us"] > 64 * 156 - 20


def test_nothing_moves_before_homing(rig: Rig) -> None:
    wait_for(lambda: rig.lift.state is DeviceState.READY)
    with pytest.raises(PositionVoid):
        rig.lift.approach(10e-3)
    with pytest.raises(PositionVoid, match="unhomed"):
        rig.say("G1 Z10 F120")  # the lift itself refuses too
    assert rig.emulator.state["edges"] == 0


def test_closing_never_passes_the_target(homed: Rig) -> None:
    """Plain moves, no backlash: on its way in the stage never stands nearer than where it is sent."""
    for height in (30e-3, 12e-3, 3e-3):
        homed.emulator("mark")
        homed.lift.approach(height)
        state = homed.emulator.state
        assert state["nearest_um"] == state["carriage_um"]
        homed.check(height)


def test_one_sided_approach_with_backlash(homed: Rig) -> None:
    backlash, take_up = 40.0, 50.0  # um
    homed.emulator(f"backlash {backlash}")
    lift = homed.another(travel=45e-3, take_up=take_up * 1e-6)
    homed.home()
    for height in (20e-3, 3e-3, 3.01e-3, 8e-3):
        before = homed.emulator.state["carriage_um"]
        homed.emulator("mark")
        lift.approach(height)
        state = homed.emulator.state
        assert state["carriage_um"] == state["motor_um"]  # on the flank that closes
        assert state["nearest_um"] >= min(before, state["carriage_um"])
        # Opening it goes past by the take-up less the backlash: rounding of both to whole steps.
        beyond = state["farthest_um"] - max(before, state["carriage_um"])
        assert beyond <= take_up - backlash + 2 * UM_PER_STEP
        homed.check(height)


def test_lost_steps_are_found_at_the_next_homing(homed: Rig) -> None:
    homed.lift.approach(45e-3)
    homed.emulator("lose 7")
    homed.lift.approach(44e-3)
    assert homed.status().words["S"] == homed.emulator.steps - 7
    homed.home()
    assert homed.lift.lost_steps == -7


def test_limits_and_grammar(homed: Rig) -> None:
    edges = homed.emulator.state["edges"]
    homed.say("M211 Z2")
    for line in ("G1 Z49.501 F60", "G0 Z1.999", "G60 Z49.4 F60 R0.2", "G60 Z9 F60 R1.001"):
        with pytest.raises(DeviceRefused, match="range"):
            homed.say(line)
    for line in ("G1 Z10 F1.199", "G1 Z10 F240.001", "M155 S99", "M113 S499", "M211 Z49.501"):
        with pytest.raises(DeviceRefused, match="range"):
            homed.say(line)
    for line in ("G1 Z10", "G1 F60", "G0 Z10 F60", "G60 Z10 F60", "M110", "M114 S1", "G28 Z0", "M155"):
        with pytest.raises(DeviceRefused, match="syntax"):
            homed.say(line)
    for value in ("-1", "+1", "1e1", "010", "1.0000", ".5", "5.", "1 Z1", "1234567", "", " 5"):
        with pytest.raises(DeviceRefused, match="syntax"):
            homed.say(f"G0 Z{value}")
    for line in ("g0 Z10", "G0  Z10", "G0 Z10 ", "G0 X10", "G1000", "M113 S65536", "M113 S1000.5", "T1"):
        with pytest.raises(DeviceRefused, match="syntax"):
            homed.say(line)
    for line in ("G20", "G91", "G2 Z10 F60", "M6"):
        with pytest.raises(DeviceRefused, match="unsupported"):
            homed.say(line)
    assert homed.emulator.state["edges"] == edges
    homed.check(height=49e-3)


def test_one_motion_at_a_time(homed: Rig) -> None:
    moving = homed.begin(20e-3)
    for line in ("G1 Z10 F120", "G28", "G4 P1", "M18"):
        with pytest.raises(DeviceRefused, match="busy"):
            homed.say(line)
    assert moving.end() is None
    homed.check(height=20e-3)


def test_the_other_words(homed: Rig) -> None:
    link = homed.lift._link
    number, _ = homed.say("G4 P500")
    waiting, _ = homed.say("M400")
    assert link.wait(number, 10, link.epoch).words["R"] == 0
    assert link.wait(waiting, 10, link.epoch).words["R"] == 0
    assert homed.say("M115")[1].flags == ("lift1",)
    homed.say("G21")
    homed.say("G90")
    with contextlib.suppress(PositionVoid):  # as soon as a telemetry line tells
        homed.say("M18")  # coils off: the rotor may fall to another step
    assert not homed.emulator.state["powered"]
    with pytest.raises(PositionVoid):
        homed.lift.approach(10e-3)
    homed.home()


def test_temperature_field_and_vibration(homed: Rig) -> None:
    homed.lift.approach(10e-3)
    homed.emulator("temperature 35")
    homed.emulator("vibration 20")
    homed.say("M155 S1000")
    before = homed.emulator.state["seconds"]  # the line that is due still has samples from before
    wait_for(lambda: homed.emulator.state["seconds"] > before + 2.5)
    heard = len(homed.heard.positions)
    wait_for(lambda: len(homed.heard.positions) > heard + 2)
    told = homed.heard.positions[-1].telemetry
    # The emulator's own sensors: 10 kohm and B = 3950 K under 10 kohm; a field falling with the third power.
    assert told["temperature_K"] == pytest.approx(273.15 + 35, abs=0.2)
    carriage = homed.emulator.state["carriage_um"]
    assert told["hall_V"] == pytest.approx(0.5 + 4 / (1 + carriage / 10_000) ** 3, abs=0.005)
    # 20 mV rms, and the converter's own step of 4.9 mV: its rms is a step over the root of 12.
    assert told["vibration_V"] == pytest.approx(0.020, rel=0.15)


def test_telemetry_stays_right_when_nobody_asks_for_long(homed: Rig) -> None:
    """The sums behind it must not overflow: 250 s at 333 samples a second are 83 000."""
    homed.say("M155 S0")
    homed.emulator("speed 0")
    start = homed.emulator.state["seconds"]
    wait_for(lambda: homed.emulator.state["seconds"] > start + 250, seconds=60)
    homed.emulator(f"speed {SPEED}")
    homed.heard.positions.clear()
    homed.say("M105")
    wait_for(lambda: bool(homed.heard.positions))
    told = homed.heard.positions[-1].telemetry
    assert told["temperature_K"] == pytest.approx(273.15 + 23, abs=0.2)
    assert told["vibration_V"] == pytest.approx(0.004, abs=0.002)
