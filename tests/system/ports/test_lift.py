"""The lift's host driver against a small far end of its own: moves, noise, resets, halts, losses."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.serial.serial_peers import Ears, FakeLift, Noise, wait_for
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceRefused, DeviceState
from weighloop.drivers.gap_setter import GapSetter
from weighloop.drivers.lift.lift import PositionVoid, SerialLift

TRAVEL = 45e-3


@pytest.fixture
def far(tmp_path: Path) -> Iterator[FakeLift]:
    made = FakeLift(tmp_path)
    yield made
    made.close()


@pytest.fixture
def lift(far: FakeLift, ears: Ears) -> Iterator[SerialLift]:
    made = SerialLift(far.port, ears, RealClock(rate=4), travel=TRAVEL)
    yield made
    made.close()


def states(ears: Ears) -> list[str]:
    return [state for _, state, _ in ears.states]


def test_the_whole_way(far: FakeLift, lift: SerialLift, ears: Ears) -> None:
    setter: GapSetter = lift
    home = setter.establish()
    assert home.known
    assert home.height == pytest.approx(TRAVEL)
    for height in (30e-3, 0.01234, 0.0, 12e-3):
        at = setter.approach(height)
        assert (at.height, at.known, at.moving) == (pytest.approx(height, abs=1e-6), True, False)
    assert setter.where().height == pytest.approx(12e-3)
    assert setter.retreat().height == pytest.approx(TRAVEL)
    wait_for(lambda: setter.where().telemetry is not None)
    assert setter.where().telemetry == {
        "temperature_K": pytest.approx(298.15),
        "hall_V": pytest.approx(2.0, abs=1e-3),
        "vibration_V": pytest.approx(160 * 5 / 16384),
    }
    assert far.floor == 0.0
    assert lift.lost_steps is None  # nothing was known before
    assert states(ears)[-1] == "ready"


def test_nothing_moves_before_the_position_is_established(far: FakeLift, lift: SerialLift) -> None:
    wait_for(lambda: lift.state is DeviceState.READY)
    with pytest.raises(PositionVoid, match="never established"):
        lift.approach(10e-3)
    assert far.path == []
    assert not lift.where().known


@pytest.mark.parametrize("height", [-1e-6, TRAVEL + 1e-5, float("nan"), float("inf")])
def test_heights_outside_the_travel_are_refused_here(far: FakeLift, lift: SerialLift, height: float) -> None:
    lift.establish()
    before = list(far.path)
    with pytest.raises(DeviceRefused, match="outside the lift's 0 to 45 mm"):
        lift.approach(height)
    assert far.path == before


def test_the_floor_is_told_to_the_lift_in_every_session(far: FakeLift, ears: Ears) -> None:
    lift = SerialLift(far.port, ears, RealClock(rate=4), travel=TRAVEL, floor=2e-3)
    lift.establish()
    assert far.floor == 2.0
    far.reset()
    wait_for(lambda: lift.state is DeviceState.READY and far.floor == 2.0)
    with pytest.raises(DeviceRefused, match="outside"):
        lift.approach(1e-3)
    lift.close()


@pytest.mark.parametrize(
    "settings",
    [
        {"travel": 0.0},
        {"travel": float("nan")},
        {"travel": 0.04, "floor": 0.05},
        {"travel": 0.04, "speed": 0.1},
        {"travel": 0.04, "take_up": 2e-3},
    ],
)
def test_impossible_settings_are_refused(far: FakeLift, ears: Ears, settings: dict) -> None:
    with pytest.raises(ValueError, match="lift"):
        SerialLift(far.port, ears, RealClock(), **settings)


# ---- history ----


def test_plain_moves_pass_no_point_twice(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.path.clear()
    ladder = [30e-3, 20e-3, 5e-3, 0.0, 5e-3, 20e-3, 30e-3]
    for height in ladder:
        lift.approach(height)
    assert far.path == pytest.approx([height * 1e3 for height in ladder])


def test_with_take_up_every_height_is_reached_closing_and_never_passed(far: FakeLift, ears: Ears) -> None:
    lift = SerialLift(far.port, ears, RealClock(rate=4), travel=TRAVEL, take_up=50e-6)
    lift.establish()
    for height in (30e-3, 5e-3, 20e-3, 40e-3):
        before = far.z
        far.path.clear()
        lift.approach(height)
        assert min(far.path) >= min(before, height * 1e3) - 1e-9
        approach_from = far.path[-2] if len(far.path) > 1 else before
        assert approach_from > far.path[-1]
    far.path.clear()
    lift.retreat()  # at the far end the backlash is taken up as well
    assert far.path == pytest.approx([TRAVEL * 1e3 + 0.05, TRAVEL * 1e3])
    lift.close()


# ---- damage on the line ----


def test_noise_delays_but_never_misplaces(tmp_path: Path, ears: Ears) -> None:
    noise = Noise(seed=11, drop=0.001, flip=0.001)
    far = FakeLift(tmp_path, noise=noise)
    lift = SerialLift(far.port, ears, RealClock(rate=2), travel=TRAVEL)
    lift.establish()
    for step in range(40):
        height = (step * 7919 % 4500) * 1e-5
        try:
            at = lift.approach(height)
        except PositionVoid:  # a stop byte made of noise: allowed to stop, never to misplace
            lift.establish()
            continue
        assert far.z == pytest.approx(height * 1e3, abs=1e-6)
        assert at.height == pytest.approx(height, abs=1e-9)
    assert noise.damaged > 5
    lift.close()
    far.close()


def test_a_lost_end_of_motion_is_asked_for(far: FakeLift, lift: SerialLift) -> None:
    far.eat_done = True
    lift.establish()
    assert lift.approach(10e-3).height == pytest.approx(10e-3)


def test_a_move_understood_otherwise_is_stopped(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.understand_wrong, far.speed = 1.0, 5.0
    with pytest.raises(PositionVoid, match="understood"):
        lift.approach(10e-3)
    wait_for(lambda: far.halted)
    assert lift.state is DeviceState.FAULT


def test_a_lift_without_the_host_watch_still_works(far: FakeLift, lift: SerialLift) -> None:
    far.no_watch = True
    assert lift.establish().known


def test_garbage_without_an_end_does_not_grow(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.raw(b"\x55" * 20_000)
    wait_for(lambda: len(lift._link._buffer) >= 256)
    time.sleep(0.1)
    assert len(lift._link._buffer) <= 256
    far.raw(b"\n")
    assert lift.where().known
    assert lift.refused == 1
