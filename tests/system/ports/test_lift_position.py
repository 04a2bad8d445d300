"""What makes the position of the lift void: resets, stops, pulled plugs, lost steps, silence."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.serial.serial_peers import Ears, FakeLift, sealed, wait_for
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceError, DeviceLost, DeviceRefused, DeviceState, DeviceTimeout
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


def test_a_reset_is_noticed_and_nothing_moves_until_established(
    far: FakeLift, lift: SerialLift, ears: Ears
) -> None:
    lift.establish()
    far.reset()
    wait_for(lambda: "lost" in states(ears))
    assert not ears.positions[-1].known
    wait_for(lambda: lift.state is DeviceState.READY)  # it is talked to again, but
    with pytest.raises(PositionVoid, match="reset"):
        lift.approach(10e-3)
    assert lift.establish().known
    assert lift.approach(10e-3).known


def test_a_reset_that_nobody_heard_is_noticed_at_the_next_word(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.mute = True
    far.reset()
    far.mute = False
    before = list(far.path)
    with pytest.raises(DeviceError):
        lift.approach(10e-3)
    assert far.path == before
    wait_for(lambda: lift.state is DeviceState.READY and bool(far.nonce))
    assert lift.establish().known


def test_a_reset_under_way_ends_the_move_with_an_error(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.speed = 1.0
    failed, thread = in_thread(lambda: lift.approach(10e-3))
    wait_for(lambda: far.motion is not None)
    far.reset()
    thread.join(5)
    assert isinstance(failed[0], PositionVoid)


def in_thread(call) -> tuple[list[Exception], threading.Thread]:
    failed: list[Exception] = []

    def run() -> None:
        try:
            call()
        except Exception as error:
            failed.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    return failed, thread


def test_stop_from_another_thread_raises_in_the_move_at_once(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.speed = 1.0
    failed, thread = in_thread(lambda: lift.approach(10e-3))
    wait_for(lambda: far.motion is not None)
    began = time.monotonic()
    lift.stop()
    thread.join(5)
    assert time.monotonic() - began < 1.0  # at once, for a busy machine
    assert isinstance(failed[0], PositionVoid)
    wait_for(lambda: far.halted)
    with pytest.raises(PositionVoid, match="stopped by request"):
        lift.approach(20e-3)
    far.speed = 2000.0
    assert lift.establish().known


def test_hold_keeps_the_position(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.speed = 1.0
    failed, thread = in_thread(lambda: lift.approach(10e-3))
    wait_for(lambda: far.motion is not None)
    lift.hold()
    thread.join(5)
    assert "held on the way" in str(failed[0])
    far.speed = 2000.0
    assert lift.where().known
    assert lift.approach(10e-3).known


def test_the_stop_button_is_a_fault_until_released(far: FakeLift, lift: SerialLift, ears: Ears) -> None:
    lift.establish()
    far.press_button()
    wait_for(lambda: lift.state is DeviceState.FAULT)
    assert "stop button" in lift.why
    with pytest.raises(DeviceRefused, match="release it"):
        lift.establish()
    far.button = False
    assert lift.establish().known


def test_a_pulled_plug_voids_the_position(far: FakeLift, lift: SerialLift, ears: Ears) -> None:
    lift.establish()
    far.speed = 1.0
    failed, thread = in_thread(lambda: lift.approach(10e-3))
    wait_for(lambda: far.motion is not None)
    pulled = time.monotonic()
    far.unplug()
    thread.join(5)
    assert time.monotonic() - pulled < 1.0  # the design's bar for an unplug
    assert isinstance(failed[0], DeviceError)
    with pytest.raises(DeviceError):
        lift.stop()
    far.speed = 2000.0
    far.plug()
    wait_for(lambda: lift.state is DeviceState.READY)
    with pytest.raises(PositionVoid):  # the lift itself still believes it is homed; we do not
        lift.approach(10e-3)
    assert lift.establish().known


def test_lost_steps_show_at_the_next_homing(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.true_lost = -37
    lift.establish()
    assert lift.lost_steps == -37


def test_a_homing_that_fails_is_told_as_such_whatever_telemetry_says_before(
    far: FakeLift, lift: SerialLift, ears: Ears
) -> None:
    """Else the readings that it should have confirmed would stay: the position would just be lost."""
    lift.establish()
    far.no_switch = True
    with pytest.raises(DeviceRefused, match="homing failed: the far-end switch was not found"):
        lift.establish()
    assert states(ears)[-1] == "fault"
    assert "lost" not in states(ears)
    with pytest.raises(PositionVoid, match="homing failed"):
        lift.approach(10e-3)
    far.no_switch = False
    assert lift.establish().known


def test_a_lift_that_never_arrives_is_given_up(far: FakeLift, lift: SerialLift, monkeypatch) -> None:
    lift.establish()
    monkeypatch.setattr("weighloop.drivers.lift.frames.HIGHEST", -2.0)  # the longest move: only the 10 s left
    far.endless = True
    with pytest.raises(PositionVoid, match="did not end"):
        lift.approach(10e-3)
    assert lift.state is DeviceState.FAULT


def test_silence_is_told_and_ends_by_itself(far: FakeLift, lift: SerialLift, ears: Ears) -> None:
    lift.establish()
    far.mute = True
    wait_for(lambda: lift.state is DeviceState.SILENT)
    far.mute = False
    wait_for(lambda: lift.state is DeviceState.READY)
    assert lift.where().known  # nothing happened to it meanwhile


@pytest.mark.parametrize("asked", ["where", "approach", "retreat", "establish"])
def test_a_lift_that_says_nothing_keeps_nobody_waiting(
    far: FakeLift, lift: SerialLift, monkeypatch: pytest.MonkeyPatch, asked: str
) -> None:
    """Every call has its deadline and an error of ours; after a move that may have begun nothing is known."""
    lift.establish()
    monkeypatch.setattr("weighloop.drivers.lift.link.TRIES", 2)
    far.mute = True
    failed, thread = in_thread(lambda: getattr(lift, asked)(*([10e-3] if asked == "approach" else [])))
    thread.join(20)
    assert not thread.is_alive()
    assert isinstance(failed[0], DeviceTimeout if asked in ("where", "establish") else PositionVoid)
    if asked in ("approach", "retreat"):
        wait_for(lambda: far.halted)  # it is stopped, whatever it heard
        with pytest.raises(PositionVoid, match="no answer"):
            lift.approach(20e-3)


def test_another_session_is_noticed(far: FakeLift, lift: SerialLift, ears: Ears) -> None:
    lift.establish()
    far.raw(sealed(f"tm K{far.nonce % 65535 + 1} T1 Z1.000 S1600 H1 M0 A32768 B26214 V160 n100"))
    wait_for(lambda: any("another session" in why for _, _, why in ears.states))
    with pytest.raises((PositionVoid, DeviceTimeout)):
        lift.approach(10e-3)


def test_only_one_motion_at_a_time(far: FakeLift, lift: SerialLift) -> None:
    lift.establish()
    far.speed = 30.0
    failed, thread = in_thread(lambda: lift.approach(10e-3))
    wait_for(lambda: far.motion is not None)
    with pytest.raises(DeviceRefused, match="moving already"):
        lift.retreat()
    assert lift.where().moving
    thread.join(10)
    assert failed == []


def test_no_lift_at_all(tmp_path: Path, ears: Ears) -> None:
    lift = SerialLift(str(tmp_path / "nothing"), ears, RealClock(rate=20), travel=TRAVEL)
    with pytest.raises((DeviceTimeout, DeviceLost), match="does not answer"):
        lift.establish()
    assert lift.state is DeviceState.ABSENT
    lift.close()


@pytest.mark.parametrize("seed", range(3))
def test_whatever_happens_in_whatever_order(far: FakeLift, ears: Ears, seed: int) -> None:
    """Faults in random order: a move that returns stands where it was sent; at the end it homes."""
    chance = random.Random(seed)
    threads = threading.active_count()
    lift = SerialLift(far.port, ears, RealClock(rate=20), travel=TRAVEL)
    for _ in range(14):
        happens = chance.choice(
            ["reset", "pull", "plug", "mute", "button", "release", "noise", "stop", "home"]
        )
        if happens == "reset":
            far.reset() if far.master >= 0 else None
        elif happens == "pull" and far.master >= 0:
            far.unplug()
        elif happens == "plug" and far.master < 0:
            far.plug()
        elif happens == "mute":
            far.mute = not far.mute
        elif happens in ("button", "release"):
            far.button = happens == "button"
            if far.button and far.master >= 0:
                far.press_button()
        elif happens == "noise":
            far.raw(chance.randbytes(50))
        try:
            if happens == "stop":
                lift.stop()
            if happens == "home" or (happens in ("plug", "release") and chance.random() < 0.7):
                lift.establish()
            height = chance.randrange(0, 4500) * 1e-5
            at = lift.approach(height)
            assert at.known
            assert far.z == pytest.approx(height * 1e3, abs=1e-6)
        except DeviceError:
            pass
    far.mute = far.button = False
    if far.master < 0:
        far.plug()
    end = time.monotonic() + 60
    while True:
        try:
            assert lift.establish().known
            break
        except DeviceError:  # the line is just being opened again
            if time.monotonic() > end:
                raise
            time.sleep(0.05)
    assert lift.approach(10e-3).height == pytest.approx(10e-3)
    lift.close()
    assert threading.active_count() == threads
