"""The lift's host driver turns a sample: only what the controller confirms, in this session, counts."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.serial.serial_peers import Ears, FakeLift, wait_for
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceRefused, DeviceState
from weighloop.drivers.lift.lift import PositionVoid, SerialLift

TRAVEL, TURNING = 49e-3, 45e-3


class FakeTurner(FakeLift):
    """A far end with an axis A as the protocol page has it, which can be made to lie."""

    def __init__(self, folder: Path) -> None:
        self.angle: float | None = None  # None: not known
        self.wanted: float | None = None  # of the turn under way
        self.turn_result, self.lie, self.understood = 0, 0.0, 0.0
        self.kept = False
        self.highest = 49.5
        self.lowest = 0.0
        super().__init__(folder)

    def say(self, body: str) -> None:
        if body.startswith(("dn", "ha")) or " W" in body:
            body += " kept" * (self.kept and body.startswith("dn"))
            body += f" A{(self.angle + self.lie) % 360:.3f} Q0" if self.angle is not None else " A? Q0"
        elif body.startswith("tm") and self.angle is None and not self.motion:
            body += " A?"
        super().say(body)

    def _halt(self, cause: int) -> None:
        self.angle = None
        super()._halt(cause)

    def _power_on(self) -> None:
        self.angle = self.wanted = None
        super()._power_on()

    def _finish(self, result: int) -> None:
        if self.motion and self.motion[2] and result == 0 and self.angle is None:
            self.angle = 0.0
        if self.wanted is not None:
            result = result or self.turn_result
            self.angle, self.wanted = (self.wanted if result == 0 else None), None
        super()._finish(result)

    def _execute(self, number: int, code: str, value: dict[str, float]) -> tuple[str, str]:
        if code == "M115":
            return "", f" lift1 B1 C0 ZA Z{self.highest:.3f} F{self.fastest:.3f}"
        if code == "M212":
            self.lowest = value["Z"]
            return ("" if 45 <= value["Z"] <= 49 else "range"), ""
        if code == "G0" and "A" in value:
            if not self.homed or self.angle is None:
                return "unhomed", ""
            if self.z < self.lowest:
                return "interlock", ""
            self.wanted, self.angle = value["A"], None
            self.motion, self.leg_end = (number, [self.z], False), time.monotonic() + 0.03
            return "", f" A{value['A'] + self.understood:.3f}"
        return super()._execute(number, code, value)


@pytest.fixture
def far(tmp_path: Path) -> Iterator[FakeTurner]:
    made = FakeTurner(tmp_path)
    yield made
    made.close()


@pytest.fixture
def lift(far: FakeTurner, ears: Ears) -> Iterator[SerialLift]:
    made = SerialLift(far.port, ears, RealClock(rate=4), travel=TRAVEL, turning_height=TURNING)
    made.establish()
    yield made
    made.close()


def test_a_turn_counts_when_it_is_confirmed(far: FakeTurner, lift: SerialLift, ears: Ears) -> None:
    assert (lift.axes, lift.orientation, far.lowest) == ("ZA", 1, 45)
    for orientation in (-1, 1, 1, -1):
        assert lift.turn(orientation).orientation == lift.orientation == orientation
        assert ears.positions[-1].orientation == orientation
    assert lift.approach(20e-3).orientation == -1
    with pytest.raises(DeviceRefused, match="only at and above 45 mm: establish first"):
        lift.turn(1)
    assert lift.orientation == -1
    with pytest.raises(ValueError, match="neither 1 nor -1"):
        lift.turn(0)


def test_the_end_of_a_turn_that_was_not_heard_is_asked_for(far: FakeTurner, lift: SerialLift) -> None:
    far.eat_done = True
    assert lift.turn(-1).orientation == -1


def test_a_turn_that_was_not_confirmed(far: FakeTurner, lift: SerialLift) -> None:
    far.turn_result = 4
    with pytest.raises(PositionVoid, match="not confirmed"):
        lift.turn(-1)
    assert lift.state is DeviceState.FAULT
    assert lift.orientation is None
    with pytest.raises(PositionVoid):
        lift.approach(20e-3)
    far.turn_result = 0
    assert lift.establish().orientation == 1


@pytest.mark.parametrize("what", ["lie", "understood"])
def test_another_angle_than_asked_for_is_stopped(far: FakeTurner, lift: SerialLift, what: str) -> None:
    setattr(far, what, 180.0)
    with pytest.raises(PositionVoid, match="180"):
        lift.turn(-1)
    wait_for(lambda: far.halted)
    assert lift.orientation is None


def test_an_angle_lost_at_rest_voids_the_position(far: FakeTurner, lift: SerialLift) -> None:
    far.angle = None
    wait_for(lambda: lift.state is DeviceState.LOST)
    assert "angle is not known" in lift.why
    with pytest.raises(PositionVoid):
        lift.turn(1)


def test_a_reset_and_a_stop_in_mid_turn(far: FakeTurner, lift: SerialLift) -> None:
    for fault in (far.reset, lift.stop):
        far.endless = True
        failed: list[Exception] = []

        def turn(failed: list[Exception] = failed) -> None:
            try:
                lift.turn(-1)
            except PositionVoid as error:
                failed.append(error)

        thread = threading.Thread(target=turn)
        thread.start()
        wait_for(lambda: far.wanted is not None)
        fault()
        thread.join(5)
        far.endless = False
        assert failed
        assert lift.orientation is None
        assert lift.establish().orientation == 1


def test_what_the_bench_file_asks_and_the_controller_cannot(far: FakeTurner, ears: Ears) -> None:
    for settings, words in (
        ({"travel": 70e-3, "turning_height": 60e-3}, "70 mm, the lift goes to 49.5 mm"),
        ({"travel": TRAVEL, "turning_height": 30e-3}, "turning_height = 30 mm"),
    ):
        lift = SerialLift(far.port, ears, RealClock(rate=4), **settings)
        with pytest.raises(DeviceRefused, match=words):
            lift.establish()
        lift.close()
    with pytest.raises(ValueError, match="turning height"):
        SerialLift(far.port, ears, RealClock(rate=4), travel=40e-3, turning_height=TURNING)


def test_a_longer_lift_says_so(far: FakeTurner, ears: Ears) -> None:
    far.highest = 79.5
    lift = SerialLift(far.port, ears, RealClock(rate=4), travel=TRAVEL, turning_height=TURNING)
    assert lift.establish().height == pytest.approx(TRAVEL)
    lift.close()


@pytest.mark.parametrize(("allowed", "asked"), [(90.0, 90.0), (240.0, 240.0), (600.0, 240.0)])
def test_it_goes_as_fast_as_the_controller_says(
    far: FakeTurner, lift: SerialLift, allowed: float, asked: float
) -> None:
    far.fastest = allowed
    lift.establish()
    lift.approach(20e-3)
    assert far.feed == asked


def test_a_controller_that_names_no_feed_is_asked_for_the_slower_one(tmp_path: Path, ears: Ears) -> None:
    plain = FakeLift(tmp_path)
    lift = SerialLift(plain.port, ears, RealClock(rate=4), travel=TRAVEL)
    lift.establish()
    lift.approach(20e-3)
    assert plain.feed == 120.0
    lift.close()
    plain.close()


def test_no_turner_in_the_controller_or_in_the_bench_file(tmp_path: Path, ears: Ears) -> None:
    plain = FakeLift(tmp_path)
    lift = SerialLift(plain.port, ears, RealClock(rate=4), travel=TRAVEL, turning_height=TURNING)
    with pytest.raises(DeviceRefused, match="names no axis A"):
        lift.establish()
    lift.close()
    lift = SerialLift(plain.port, ears, RealClock(rate=4), travel=TRAVEL)
    assert lift.establish().orientation is None
    assert lift.axes == "Z"
    with pytest.raises(DeviceRefused, match="turner = true"):
        lift.turn(1)
    lift.close()
    plain.close()


def reset(far: FakeTurner, lift: SerialLift) -> None:
    """A reset, noticed, and the session after it."""
    session = lift._link._nonce
    far.reset()
    wait_for(lambda: lift._link._nonce not in (0, session))


def test_lost_steps_are_told_only_where_something_was_compared(far: FakeTurner, lift: SerialLift) -> None:
    assert lift.lost_steps is None  # nothing was known before the first homing
    lift.establish()
    assert (lift.lost_steps, lift.lost_height) == (0, 0)
    reset(far, lift)
    lift.establish()
    assert lift.lost_steps is None
    reset(far, lift)
    far.kept = True
    lift.establish()
    assert lift.lost_steps == 0
