"""Far ends of pseudo-terminals for the driver tests: small, seeded, disobedient on command."""

from __future__ import annotations

import os
import pty
import random
import re
import select
import threading
import time
import tty
import zlib
from pathlib import Path


class FarEnd:
    """The master side of a pseudo-terminal behind a name that survives replugging (a symlink)."""

    def __init__(self, folder: Path, name: str = "port") -> None:
        self.port = str(folder / name)
        self.master = -1
        self.guard = threading.RLock()  # no descriptor is used while it is being closed
        self.plug()

    def plug(self) -> None:
        with self.guard:
            self.master, slave = pty.openpty()
            tty.setraw(slave)
            # While the other side is closed a read fails at once; if it opens in between, it must not block.
            os.set_blocking(self.master, False)
            os.symlink(os.ttyname(slave), self.port)
            os.close(slave)

    def unplug(self) -> None:
        with self.guard:
            os.unlink(self.port)
            os.close(self.master)
            self.master = -1

    def send(self, data: bytes, piece: int = 0) -> None:
        """All at once, or in pieces of this many bytes."""
        for start in range(0, len(data), piece or len(data) or 1):
            self._write(data[start : start + (piece or len(data))])

    def _write(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self.master, data) :]
            except BlockingIOError:
                time.sleep(0.001)

    def heard(self, seconds: float = 0.3, until: bytes | None = None) -> bytes:
        """What the host sends within that time, or until it has sent ``until``."""
        data, end = b"", time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0 and (until is None or until not in data):
            if select.select([self.master], [], [], left)[0]:
                try:
                    data += os.read(self.master, 4096)
                except OSError:  # nobody has the other side open
                    time.sleep(0.01)
        return data

    def close(self) -> None:
        if self.master >= 0:
            self.unplug()


def take_terminal(name: str, seconds: float = 2.0) -> list[int]:
    """Open terminals until one is called ``name``, which was released just now; all of their descriptors.

    The system frees a number a moment after its last user has closed it; another program may be quicker.
    """
    ends: list[int] = []
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        ends += pty.openpty()
        if os.ttyname(ends[-1]) == name:
            break
        time.sleep(0.02)
    return ends


class Talker:
    """Says the same lines again and again, or answers a request."""

    def __init__(self, end: FarEnd, line: bytes, request: bytes | None = None, every: float = 0.02) -> None:
        self._end, self._line, self._request, self._every = end, line, request, every
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def said(self) -> bytes:
        """What is said this time."""
        return self._line

    def _run(self) -> None:
        heard = b""
        while not self._ending.is_set():
            heard += self._end.heard(self._every)
            if self._request is None:
                self._end.send(self.said())
            elif self._request in heard:
                heard = b""
                self._end.send(self.said())


class Noise:
    """Drops and flips bytes with a given probability, seeded."""

    def __init__(self, seed: int = 1, drop: float = 0.0, flip: float = 0.0) -> None:
        self._random, self.drop, self.flip, self.damaged = random.Random(seed), drop, flip, 0

    def __call__(self, data: bytes) -> bytes:
        out = bytearray()
        for byte in data:
            if self._random.random() < self.drop:
                self.damaged += 1
                continue
            if self._random.random() < self.flip:
                self.damaged += 1
                byte ^= 1 << self._random.randrange(8)
            out.append(byte)
        return bytes(out)


def sealed(body: str) -> bytes:
    return body.encode() + b"*%08X\n" % zlib.crc32(body.encode())


NO_SWITCH = 3  # a motion's end: the far-end switch was not found


class FakeLift(FarEnd):
    """The device side of the lift protocol, as hardware_notes/lift_protocol.md has it, quickly.

    Independent of ``drivers.lift_words``. ``path`` keeps every height the stage passed the end of
    a leg at, so a test can see that it never went nearer than it should.
    """

    def __init__(self, folder: Path, mm_per_s: float = 2000.0, noise: Noise | None = None) -> None:
        self.noise = noise or Noise()
        self.speed = mm_per_s
        self.boots, self.true_lost = 0, 0
        self.button = self.mute = self.stuck = self.eat_done = self.endless = self.no_watch = False
        self.no_switch = False  # a homing finds none
        self.understand_wrong = 0.0
        self.answers = 0
        self.executed: list[str] = []
        self.fastest, self.feed = 120.0, 0.0  # mm/min; the last one asked for
        self.path: list[float] = []
        super().__init__(folder, "lift")
        self._power_on()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _power_on(self) -> None:
        self.boots += 1
        self.nonce = self.last_n = self.last_crc = 0
        self.last_answer = ""
        self.homed = self.halted = False
        self.z, self.floor, self.tele, self.next_tele = 20.0, 0.0, 0.0, 0.0
        self.closing = 0.0
        self.motion: tuple[int, list[float], bool] | None = None
        self.done, self.result, self.error = 0, 0, 0
        self.leg_end = 0.0

    def reset(self) -> None:
        with self.guard:
            self._power_on()
            self.say(f"bt lift1 B{self.boots} C4")

    def press_button(self) -> None:
        with self.guard:
            self.button = True
            self._halt(2)

    def say(self, body: str) -> None:
        self.raw(sealed(body))

    def raw(self, data: bytes) -> None:
        with self.guard:
            if not self.mute and self.master >= 0:
                self._write(self.noise(data))

    def where(self) -> str:
        state = 4 if self.halted else 0 if self.motion is None else 2 if self.motion[2] else 1
        return f"Z{self.z:.3f} S{round(self.z * 1600)} H{int(self.homed)} M{state}"

    def _halt(self, cause: int) -> None:
        self.homed, self.halted = False, True
        self.say(f"ha K{self.nonce} C{cause} {self.where()}")
        if self.motion:
            self._finish(2)

    def _finish(self, result: int) -> None:
        assert self.motion is not None
        self.done, self.result, self.motion = self.motion[0], result, None
        if result == NO_SWITCH:  # telemetry may be due between the failure and the word of it
            self.homed = False
            self._tell_telemetry()
        if not self.eat_done:
            self.say(f"dn N{self.done} K{self.nonce} R{result} {self.where()} E{self.error}")

    def _run(self) -> None:
        buffer = b""
        while not self._ending.is_set():
            time.sleep(0.001)
            with self.guard:
                self._move()
                buffer = self._listen(buffer)

    def _listen(self, buffer: bytes) -> bytes:
        if self.master < 0 or not select.select([self.master], [], [], 0)[0]:
            return buffer
        try:
            data = self.noise(os.read(self.master, 4096))
        except OSError:  # nobody has the other side open
            return buffer
        if b"\x89" in data:
            self._halt(1)
        if b"\xfe" in data and self.motion:
            self._finish(1)
        *lines, buffer = (buffer + data.replace(b"\x89", b"").replace(b"\xfe", b"")).split(b"\n")
        for line in lines:
            if line:
                self._line(line)
        return buffer

    def _move(self) -> None:
        now = time.monotonic()
        if self.tele and now > self.next_tele and self.nonce:
            self.next_tele = now + self.tele
            self._tell_telemetry()
        if self.motion and not self.endless and now >= self.leg_end:
            _, legs, homing = self.motion
            if not self.stuck:
                target = legs.pop(0)
                self.closing = self.closing + self.z - target if target < self.z else 0.0
                self.z = target
                self.path.append(target)
            if self.stuck:
                return
            if legs:
                self.leg_end = now + abs(legs[0] - self.z) / self.speed
                return
            if homing and self.no_switch:
                self._finish(NO_SWITCH)
                return
            if homing:
                self.error, self.homed, self.true_lost = (self.true_lost if self.homed else 0), True, 0
            self._finish(0)

    def _tell_telemetry(self) -> None:
        self.say(f"tm K{self.nonce} T1 {self.where()} A32768 B26214 V160 n100")

    def _line(self, line: bytes) -> None:
        body, _, check = line.rpartition(b"*")
        try:
            good = len(check) == 8 and int(check, 16) == zlib.crc32(body)
        except ValueError:
            good = False
        found = re.fullmatch(r"N(\d+) ([GM]\d+)((?: [A-Z][0-9.]+)*)", body.decode("latin-1"))
        if not good or not found:
            self.say(f"rs N{self.last_n % 65535 + 1 if self.nonce else 0} K{self.nonce} crc")
            return
        number, code = int(found[1]), found[2]
        value = {word[0]: float(word[1:]) for word in found[3].split()}
        if code != "M110":
            if not self.nonce:
                self.say(f"er N{number} K0 nosession")
                return
            if number == self.last_n and zlib.crc32(body) == self.last_crc:
                verb, n, k, *rest = self.last_answer.split(" ")
                self.say(" ".join([verb, n, k, "dup", *rest]))
                return
            if number != self.last_n % 65535 + 1:
                self.say(f"er N{number} K{self.nonce} sequence X{self.last_n % 65535 + 1}")
                return
        reason, extra = self._execute(number, code, value)
        head = f"er N{number} K{self.nonce} {reason}" if reason else f"ok N{number} K{self.nonce}{extra}"
        self.last_n, self.last_crc, self.last_answer = number, zlib.crc32(body), head
        self.say(head)

    def _execute(self, number: int, code: str, value: dict[str, float]) -> tuple[str, str]:
        self.executed.append(code)
        if code in ("G1", "G60", "G28"):
            if self.halted:
                return "halt", ""
            if self.motion:
                return "busy", ""
            if code == "G28":
                legs = [50.2, 50.0, 49.0]
            else:
                if not self.homed:
                    return "unhomed", ""
                self.feed = value["F"]
                if not (self.floor <= value["Z"] <= 49.5 and 1.2 <= self.feed <= self.fastest):
                    return "range", ""
                legs = [value["Z"]]
                if code == "G60":
                    above = value["Z"] + value["R"]
                    if self.z < value["Z"] or self.closing + self.z - value["Z"] < value["R"]:
                        legs = [above, value["Z"]]
            self.motion = (number, legs, code == "G28")
            self.leg_end = time.monotonic() + abs(legs[0] - self.z) / self.speed
            return "", f" Z{value['Z'] + self.understand_wrong:.3f}" if "Z" in value else ""
        if code == "M110":
            self.nonce, self.tele = int(value["K"]), 0.0
            return "", f" lift1 B{self.boots} C0"
        if code == "M114":
            return "", f" {self.where()} D{self.done} R{self.result} E{self.error} L0 W{2 * self.button}"
        if code == "M155":
            self.tele = value["S"] / 1000
        elif code == "M113" and self.no_watch:
            return "unsupported", ""
        elif code == "M211":
            self.floor = value["Z"]
        elif code == "M999":
            if self.button:
                return "halt", ""
            self.halted = False
        elif code not in ("M17", "M113", "G21", "G90"):
            return "unsupported", ""
        return "", ""

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        super().close()


class StoppedClock:
    """A clock turned by hand."""

    rate = 1.0

    def __init__(self) -> None:
        self.time = 100.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


class Ears:
    """A listener for balances and gap setters that keeps everything, with times."""

    def __init__(self) -> None:
        self.readings: list = []
        self.refusals: list[tuple[bytes, str]] = []
        self.states: list[tuple[float, str, str]] = []
        self.positions: list = []

    def reading(self, reading) -> None:
        self.readings.append(reading)

    def refused(self, time: float, raw: bytes, why: str) -> None:
        self.refusals.append((raw, why))

    def state(self, state, why: str) -> None:
        self.states.append((time.monotonic(), str(state), why))

    def position(self, position) -> None:
        self.positions.append(position)


def wait_for(condition, seconds: float = 60.0, what: str = "") -> None:
    """Until the condition holds; fails loudly after a time generous for a busy machine."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"did not come about within {seconds} s: {what}")
        time.sleep(0.005)
