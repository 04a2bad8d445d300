"""The serial line itself: growing waits without an end, a deadline for what is sent, what silence is."""

from __future__ import annotations

import os
import re
import termios
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from serial import SerialException

from tests.support import ROOT
from tests.support.serial.serial_peers import FarEnd, wait_for
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceLost
from weighloop.drivers.serial import port as serial_line
from weighloop.drivers.serial.port import REOPEN_WAITS, LineSettings, SerialLine, reopen_wait


class Handler:
    """Keeps what a line tells."""

    def __init__(self, clock: RealClock) -> None:
        self.clock = clock
        self.attempts: list[float] = []
        self.data = b""
        self.heard_at = 0.0
        self.quiet = 0.0  # the longest time without a byte that was ever told, s by the clock
        self.losses: list[tuple[str, bool]] = []

    def opening(self, why: str) -> None:
        self.attempts.append(self.clock.now())

    def opened(self, device: str) -> None:
        self.heard_at = self.clock.now()

    def received(self, data: bytes, now: float) -> None:
        self.data += data
        self.heard_at = now

    def tick(self, now: float) -> None:
        self.quiet = max(self.quiet, now - self.heard_at)

    def lost(self, why: str, there: bool) -> None:
        self.losses.append((why, there))


class Line:
    """A line with its handler."""

    def __init__(self, port: str, rate: float = 1.0) -> None:
        clock = RealClock(rate)
        self.handler = Handler(clock)
        self.line = SerialLine(port, LineSettings(), self.handler, clock)
        self.line.start()


@pytest.fixture
def line(far_end: FarEnd) -> Iterator[Line]:
    made = Line(far_end.port, rate=5)
    wait_for(lambda: made.line.is_open)
    yield made
    made.line.close()


def test_waits_grow_to_a_minute_and_never_end() -> None:
    waits = [reopen_wait(attempt) for attempt in range(1000)]
    assert waits[:5] == list(REOPEN_WAITS)
    assert waits == sorted(waits)
    assert waits[-1] == 60.0  # a plug put in again is found within a minute, by night and by day


@pytest.mark.parametrize("there", [False, True])
def test_a_port_that_cannot_be_opened_is_tried_again_after_growing_waits(tmp_path: Path, there: bool) -> None:
    port = tmp_path / "port"
    if there:
        os.mkfifo(port)  # no terminal
    made = Line(str(port), rate=200)
    wait_for(lambda: len(made.handler.attempts) >= 7)
    made.line.close()
    gaps = [after - before for before, after in pairwise(made.handler.attempts)]
    assert all(gap >= wait for gap, wait in zip(gaps, [*REOPEN_WAITS, 60.0], strict=False))
    assert {found for _, found in made.handler.losses} == {there}


@pytest.mark.parametrize(("says", "again"), [(b"", False), (b"ST", True)])
def test_once_heard_the_waits_begin_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, says: bytes, again: bool
) -> None:
    """A port that opens and says nothing is not back yet."""
    waited: list[int] = []
    monkeypatch.setattr(serial_line, "reopen_wait", lambda attempt: waited.append(attempt) or 1.0)
    end = FarEnd(tmp_path)
    end.unplug()
    made = Line(end.port, rate=50)
    wait_for(lambda: len(waited) >= 3)
    assert waited[:3] == [0, 1, 2]
    end.plug()
    wait_for(lambda: made.line.is_open)
    end.send(says)
    wait_for(lambda: made.handler.data == says)
    before = len(waited)
    end.unplug()
    wait_for(lambda: len(waited) > before)
    assert (waited[before] == 0) == again
    made.line.close()


def test_what_the_far_end_does_not_take_is_an_error_of_ours_and_removes_the_reader(
    far_end: FarEnd, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody reads at the far end: a pseudo-terminal takes some thousand bytes, then no more."""
    monkeypatch.setattr(serial_line, "WRITE_TIMEOUT", 0.3)
    far_end.send(b"ST")
    wait_for(lambda: line.handler.data == b"ST")
    began = time.monotonic()
    with pytest.raises(DeviceLost, match="does not take what is sent"):
        line.line.write(b"Q\r\n" * 100_000)
    assert time.monotonic() - began < 10  # it did not wait indefinitely
    wait_for(lambda: line.handler.losses != [])
    why, there = line.handler.losses[0]
    assert "does not take what is sent" in why
    assert there
    far_end.unplug()
    far_end.plug()
    wait_for(lambda: line.line.is_open and len(line.handler.attempts) >= 2)
    line.line.write(b"Q\r\n")
    assert far_end.heard(5.0, until=b"Q\r\n") == b"Q\r\n"


def test_what_has_gone_out_is_sent_however_busy_the_machine_was_then(
    far_end: FarEnd, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_line, "WRITE_TIMEOUT", 0.2)
    write = os.write

    def and_then_no_turn(descriptor: int, data: bytes) -> int:
        count = write(descriptor, data)
        if data == b"Q\r\n":
            time.sleep(1.2 * serial_line.WRITE_TIMEOUT)
        return count

    monkeypatch.setattr(os, "write", and_then_no_turn)
    line.line.write(b"Q\r\n")
    assert far_end.heard(5.0, until=b"Q\r\n") == b"Q\r\n"
    assert line.line.is_open


@pytest.mark.parametrize(
    "fault", [OSError(5, "x"), TypeError("x"), termios.error(5, "x"), SerialException("x")]
)
def test_whatever_the_system_raises_is_one_error_of_ours(fault: Exception) -> None:
    """What pyserial lets through when an adapter is pulled, on one system or another."""

    class Port:
        port = "/dev/ttyUSB0"
        in_waiting = 1

        def read(self, size: int) -> bytes:
            raise fault

        def write(self, data: bytes) -> int:
            raise fault

    with pytest.raises(DeviceLost, match="ttyUSB0 is gone"):
        serial_line.read_port(Port())
    with pytest.raises(DeviceLost, match="ttyUSB0 does not take"):
        serial_line.write_port(Port(), b"Q")


def sources() -> dict[str, str]:
    """Every source file of the program, without the virtual bench."""
    root = ROOT
    files = [
        path for folder in ("drivers", "daemon", "analysis", "tui") for path in (root / folder).rglob("*.py")
    ]
    return {
        path.relative_to(root).as_posix(): path.read_text(encoding="utf-8")
        for path in files
        if "twin" not in path.parts
    }


def test_no_other_file_speaks_to_the_port_library() -> None:
    """So that there is one place only where such an error can come up."""
    speaks = re.compile(r"^\s*(import|from) serial\b", re.MULTILINE)
    found = {name for name, text in sources().items() if speaks.search(text)}
    assert found == {
        "drivers/serial/port.py",
        "drivers/serial/identity.py",
    }  # the second only lists what ports there are


def test_the_virtual_bench_is_reached_through_its_ports_alone() -> None:
    """Nothing imports it; it is started as a program of its own."""
    reaches = re.compile(
        r"^\s*(from \S*\btwin(\.\S+)? import|import \S*\btwin\b|from \S* import .*\btwin\b)", re.M
    )
    assert len(sources()) > 80
    assert {name for name, text in sources().items() if reaches.search(text)} == set()


def test_a_machine_that_was_busy_has_not_heard_silence(
    far_end: FarEnd, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What comes while the reader has no turn lies in the port: it is read before silence is spoken of."""
    busy = [0.5]
    read_port = serial_line.read_port

    def and_then_no_turn(port: object) -> bytes:
        data = read_port(port)
        if not data and busy:
            far_end.send(b"ST,+00012.345,g")
            time.sleep(busy.pop())
        return data

    monkeypatch.setattr(serial_line, "read_port", and_then_no_turn)
    wait_for(lambda: line.handler.data == b"ST,+00012.345,g")
    assert line.handler.quiet < 0.5 * line.handler.clock.rate
