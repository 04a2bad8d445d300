"""The lift's firmware on an emulated microcontroller, driven by the real host driver.

The emulator counts the steps itself, on the pins: ``Rig.check`` holds the reported position against
the stage, whose only link with the firmware is the far-end switch.
"""

from __future__ import annotations

import json
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceError
from weighloop.drivers.lift.frames import Reply
from weighloop.drivers.lift.lift import SerialLift
from weighloop.drivers.serial.port import Deadline

#: The chip's time and the host's, times life. The host's is the slower one: its deadlines then hold also
#: where the machine cannot run the chip that fast.
SPEED, HOST_SPEED = 10.0, 4.0
FAST = 40.0  # the chip's, where a test waits for one homing after the other
TRAVEL = 49e-3  # m; where homing leaves the stage, so that no test pays for the way to it
SLOW = 2e-3  # m/s; leaves a busy machine the time to break in on a move
UM_PER_STEP = 0.625  # 200 full steps, 16 microsteps, 2 mm screw (protocol page, section 1)
#: Where the motor stands, by the emulator, at the step on which the closing carriage first releases the
#: switch: pressed at 50 mm, 30 um of travel, so below 49.970 mm.
RELEASED_UM = 49_969.375
#: The rod's own steps: a whole turn, and how far past a slot's leading edge it rests (turner.md).
TURN, REST_IN_SLOT = 3200, 8
MOST_SLIP = 64  # this many lost steps of a turn are made good: more is a jam
TURNING = 45e-3  # m; below that the firmware never turns (config.h)
RELEASED_STEPS = 80_000  # what that position is called: Z 50.000 (protocol page, section 6)


class Emulator:
    """One emulated board with its stage. ``port`` is the serial port's name."""

    def __init__(self, build: Path, folder: Path, start_mm: float = 49.0, speed: float = SPEED) -> None:
        self.port = str(folder / "lift")
        control = folder / "control"
        words = f"--port {self.port} --control {control} --speed {speed} --start {start_mm}"
        self._process = subprocess.Popen([build / "simlift", build / "lift.elf", *words.split()])
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(20)
        wait_for(lambda: self._socket.connect_ex(str(control)) == 0, what="the emulator's control socket")
        assert self._process.poll() is None
        self._answers = self._socket.makefile("r")

    def __call__(self, command: str) -> dict[str, Any]:
        """One command of sim/control.c; the answer."""
        self._socket.sendall(command.encode() + b"\n")
        answer = json.loads(self._answers.readline() or '{"error": "the emulator has ended"}')
        assert "error" not in answer, (command, answer)
        return answer

    @property
    def state(self) -> dict[str, Any]:
        """What the stage and the wire have been through."""
        return self("state")

    @property
    def steps(self) -> float:
        """Where the motor stands, in steps as the protocol counts them, by the emulator alone."""
        return RELEASED_STEPS + (self.state["motor_um"] - RELEASED_UM) / UM_PER_STEP

    def off_by(self, angle: float) -> int:
        """By how many steps the rod stands elsewhere than at ``angle`` (degrees), by the emulator alone."""
        away = self.state["rod"] - (REST_IN_SLOT + round(angle / 360 * TURN))
        return (away + TURN // 2) % TURN - TURN // 2

    def close(self) -> None:
        self._socket.close()
        self._process.terminate()
        self._process.wait(60)


class Heard:
    """A listener that keeps everything."""

    def __init__(self) -> None:
        self.positions: list = []
        self.states: list[tuple[str, str]] = []

    def position(self, position) -> None:
        self.positions.append(position)

    def state(self, state, why: str) -> None:
        self.states.append((str(state), why))


class Rig:
    """Emulator and host driver together."""

    def __init__(self, emulator: Emulator) -> None:
        self.emulator = emulator
        self.heard = Heard()
        self.lift = self.another()

    def another(self, **settings: float) -> SerialLift:
        """A driver on the emulator's port; the one before is closed."""
        if hasattr(self, "lift"):
            self.lift.close()
        settings.setdefault("travel", TRAVEL)
        settings.setdefault("speed", SLOW)
        self.lift = SerialLift(self.emulator.port, self.heard, RealClock(HOST_SPEED), **settings)
        return self.lift

    def home(self) -> None:
        """Establish the position, with a host watch that a busy test machine does not set off."""
        self.lift._link.wait_for_session(Deadline(RealClock(), 20))
        self.say("M113 S60000")
        self.lift.establish()
        self.check(height=self.lift.travel)

    def say(self, text: str) -> tuple[int, Reply]:
        """One line through the driver's own link."""
        return self.lift._link.command(text, self.lift._link.epoch)

    def raw(self, data: bytes) -> None:
        """Bytes past everything."""
        self.lift._link.send_byte(data)

    def status(self) -> Reply:
        return self.say("M114")[1]

    def check(self, height: float | None = None) -> None:
        """The reported position is the counted one, to the step; and the asked one where given (m)."""
        status = self.status()
        assert status.homed
        assert not status.moving
        assert status.words["S"] == self.emulator.steps, status.text
        if height is not None:
            assert status.words["S"] == round(height * 1e3 * 1600)
        self.check_angle(status)

    def check_angle(self, status: Reply) -> None:
        """The reported angle is the rod's, to the 0.9 degrees it rests inside its slot; or it is "A?"."""
        if "A" in status.words:
            assert abs(self.emulator.off_by(status.words["A"])) <= REST_IN_SLOT, status.text

    def begin(self, height: float) -> Moving:
        """A move in a thread of its own, begun when the stage is under way."""
        before = self.emulator.state["edges"]
        moving = Moving(lambda: self.lift.approach(height))
        wait_for(lambda: self.emulator.state["edges"] > before + 300, what="the stage moving")
        return moving

    def begin_turn(self, orientation: int = -1) -> Moving:
        """A turn in a thread of its own, begun when the rod has left its slot."""
        before = self.emulator.state["turn_edges"]
        moving = Moving(lambda: self.lift.turn(orientation))
        wait_for(lambda: self.emulator.state["turn_edges"] > before + 200, what="the rod turning")
        return moving

    def check_interlocks(self) -> None:
        """Nothing ever turned low, and nothing closed with the rod between its ends."""
        state = self.emulator.state
        assert state["lowest_turn_um"] - RELEASED_UM >= TURNING * 1e6 - 50_000
        # Homing's own way off the switch is the one such closing: 1 mm, at the top.
        assert state["nearest_between_um"] > 48_900

    def standing_still(self) -> bool:
        """No step for 0.3 s of the lift's time."""
        return self._unchanged("edges", 0.3)

    def quiet(self) -> bool:
        """Nothing on the wire for 0.2 s of the lift's time."""
        return self._unchanged("passed", 0.2)

    def _unchanged(self, what: str, seconds: float) -> bool:
        before = self.emulator.state
        wait_for(lambda: self.emulator.state["seconds"] > before["seconds"] + seconds)
        return self.emulator.state[what] == before[what]

    def close(self) -> None:
        self.lift.close()
        self.emulator.close()


class Moving:
    """A call under way; ``end`` waits for it and gives the error it raised, None where it did not."""

    def __init__(self, call: Callable[[], object]) -> None:
        self._error: DeviceError | None = None
        self._thread = threading.Thread(target=self._run, args=(call,), daemon=True)
        self._thread.start()

    def _run(self, call: Callable[[], object]) -> None:
        try:
            call()
        except DeviceError as error:
            self._error = error

    def end(self, seconds: float = 60.0) -> DeviceError | None:
        self._thread.join(seconds)
        assert not self._thread.is_alive(), "the move did not end"
        return self._error


def wait_for(condition: Callable[[], bool], seconds: float = 20.0, what: str = "") -> None:
    """Until the condition holds; fails loudly after a time generous for a busy machine."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"did not come about within {seconds} s: {what}"
        time.sleep(0.003)
