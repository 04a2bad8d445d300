"""One serial port: opened exclusively, read by a thread of its own, opened again indefinitely when lost.

The only place where an operating-system error becomes one of ours (DeviceLost). What the bytes mean
is the business of whoever handles the line.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import re
import select
import threading
import time
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from ..clock import Clock
from ..device import DeviceLost
from . import identity as port_names

log = logging.getLogger(__name__)

#: Waits between attempts to open, s by the clock; the last one repeats indefinitely.
REOPEN_WAITS = (1.0, 2.0, 5.0, 15.0, 60.0)
#: Longest blocking read, s of the machine's time: bounds how late a loss or a close is noticed.
READ_TIMEOUT = 0.05
#: Bytes fetched in one go at the most.
LARGEST_READ = 65536
#: A read that took more than this many times its timeout was not listening all the while.
LISTENING = 2.0
#: Longest blocking write, s of the machine's time.
WRITE_TIMEOUT = 1.0
#: What an operating system needs to wake a thread and move some bytes: no deadline is shorter.
LEAST_DEADLINE = 0.2


def reopen_wait(attempt: int) -> float:
    """Wait after ``attempt`` failed attempts (0, 1, ...), s by the clock: longer each time."""
    return REOPEN_WAITS[min(attempt, len(REOPEN_WAITS) - 1)]


def real_seconds(clock: Clock, seconds: float, least: float = 0.0) -> float:
    """Seconds by the clock as seconds of the machine's time; ``least`` is what scheduling needs."""
    return max(seconds / clock.rate, least)


class Deadline:
    """A moment by the clock, watched with the machine's time."""

    def __init__(self, clock: Clock, seconds: float, least: float = LEAST_DEADLINE) -> None:
        self._end = time.monotonic() + real_seconds(clock, seconds, least)

    def left(self) -> float:
        """Seconds of the machine's time left, never below zero."""
        return max(self._end - time.monotonic(), 0.0)


class LineHandler(Protocol):
    """Who handles a line. All calls come from the line's thread."""

    def opening(self, why: str) -> None:
        """An attempt to open begins."""
        ...

    def opened(self, device: str) -> None:
        """The port is open; nothing has been read yet."""
        ...

    def received(self, data: bytes, now: float) -> None:
        """Bytes, and the clock at the arrival of the last of them."""
        ...

    def tick(self, now: float) -> None:
        """Called between reads, at least every READ_TIMEOUT."""
        ...

    def lost(self, why: str, there: bool) -> None:
        """The port failed or could not be opened; ``there`` tells whether its name exists."""
        ...


class SerialLine:
    """A port that looks after itself. ``port`` is a device name or any pyserial URL."""

    def __init__(
        self,
        port: str,
        settings: LineSettings,
        handler: LineHandler,
        clock: Clock,
        *,
        read_timeout: float = READ_TIMEOUT,
        raise_dtr: bool = True,
    ) -> None:
        """``read_timeout`` (s of the machine's time) bounds the time between two ticks."""
        self.port, self._settings = port, settings
        self._read_timeout, self._raise_dtr = read_timeout, raise_dtr
        self._heard = False
        self._failure: DeviceLost | None = None  # of a write, in another thread
        self._handler, self._clock = handler, clock
        self._serial: Any = None
        self._writing = threading.Lock()
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None
        self._remembered: port_names.PortIdentity | None = None
        self._present: port_names.PortIdentity | None = None
        self._before: port_names.Node | None = None  # what stood under the name when it was opened

    def start(self) -> None:
        """Start the thread; a second call does nothing."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name=f"line {self.port}", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Release the port and end the thread. A closed line is not started again."""
        self._closing.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout=5)

    @property
    def is_open(self) -> bool:
        """Whether the port is open now."""
        return self._serial is not None

    def remember_identity(self) -> None:
        """What is open now is the right device: from now on it is known by its USB identity."""
        self._remembered = self._present or self._remembered

    def write(self, data: bytes) -> None:
        """Send. Raises DeviceLost when the port is not open or does not take the bytes in time.

        A port that does not take them has failed: it is released and opened again like any lost one.
        """
        with self._writing:
            serial = self._serial
            if serial is None:
                raise DeviceLost(f"{self.port} is not open")
            try:
                write_port(serial, data)
            except DeviceLost as error:
                self._failure = error
                raise

    def _run(self) -> None:
        attempt = 0
        while not self._closing.is_set():
            found = self._find()
            self._handler.opening(found.why)
            if found.device is None:
                why, there = found.why, found.identity is not None
            else:
                why, there = self._serve(found), True
                if self._heard:
                    attempt = 0
            if self._closing.is_set():
                break
            self._handler.lost(why, there)
            self._wait_to_reopen(reopen_wait(attempt), found.device is not None)
            attempt += 1

    def _find(self) -> port_names.Found:
        return port_names.find(self.port, self._remembered, before=self._before)

    def _serve(self, found: port_names.Found) -> str:
        """Open and read until the port fails; returns why it did."""
        self._heard, self._failure = False, None
        try:
            serial = open_port(
                found.device or self.port, self._settings, self._read_timeout, raise_dtr=self._raise_dtr
            )
        except DeviceLost as error:
            return str(error)
        self._present, self._before = found.identity, port_names.node(self.port)
        self._serial = serial
        try:
            self._handler.opened(found.device or self.port)
            longest = LISTENING * self._read_timeout * self._clock.rate
            while not self._closing.is_set():
                if self._failure is not None:
                    raise self._failure
                # An empty read is a timeout; a port at its end raises, and so leaves at once.
                began = self._clock.now()
                data = read_port(serial)
                now = self._clock.now()
                if data:
                    self._heard = True
                    self._handler.received(data, now)
                # Nothing is silent while nobody listens: where the machine was busy or asleep in between,
                # what came meanwhile lies in the port and is fetched by the next read.
                self._handler.tick(min(now, began + longest))
            return "closed"
        except DeviceLost as error:
            return str(error)
        except Exception as error:  # a fault of ours above: the line must outlive it, and it must be seen
            log.exception("the handler of %s failed", self.port)
            return f"a fault in the program: {error!r}"
        finally:
            with self._writing:
                self._serial = None
            with contextlib.suppress(Exception):
                if self._failure is not None:
                    serial.reset_output_buffer()  # some systems wait for what is stuck there
            with contextlib.suppress(Exception):
                serial.close()

    def _wait_to_reopen(self, seconds: float, was_there: bool) -> None:
        """Wait, but not longer than until a port that was missing appears."""
        deadline = Deadline(self._clock, seconds, least=0.02)
        look = real_seconds(self._clock, 1.0, least=0.05)
        while (left := deadline.left()) > 0:
            if self._closing.wait(min(left, look)):
                return
            if not was_there and self._find().device is not None:
                return


def read_port(serial: Any) -> bytes:
    """All that has arrived, at least one byte if any comes before the timeout. Raises DeviceLost."""
    try:
        data = serial.read(max(1, serial.in_waiting))
        while data and (more := serial.in_waiting) and len(data) < LARGEST_READ:
            data += serial.read(more)
        return data
    except Exception as error:  # pyserial raises OSError, TypeError, termios.error ... when a port goes
        raise DeviceLost(f"{serial.port} is gone: {error}") from error


def write_port(serial: Any, data: bytes) -> None:
    """Send all of it. Raises DeviceLost, also when the far end does not take it in time."""
    try:
        descriptor = getattr(serial, "fd", None)
        if descriptor is None:  # a network port, or a system without descriptors
            serial.write(data)
        else:
            _write_all(descriptor, data)
    except Exception as error:  # as above
        raise DeviceLost(f"{serial.port} does not take what is sent: {error}") from error


def _write_all(descriptor: int, data: bytes) -> None:
    """Raises TimeoutError when there is no room for WRITE_TIMEOUT.

    Not by pyserial: that looks at the time once more when all is written, and on a busy machine takes what
    has gone out for what has not.
    """
    end = time.monotonic() + WRITE_TIMEOUT
    while True:
        with contextlib.suppress(BlockingIOError):
            data = data[os.write(descriptor, data) :]
        if not data:
            return
        if not select.select([], [descriptor], [], max(end - time.monotonic(), 0.0))[1]:
            raise TimeoutError(f"no room for {len(data)} bytes in {WRITE_TIMEOUT:g} s")


def open_port(
    device: str, settings: LineSettings, read_timeout: float = READ_TIMEOUT, *, raise_dtr: bool = True
) -> Any:
    """An open pyserial port, exclusive. Raises DeviceLost saying what stands in the way.

    Some balances want DTR and RTS raised before they speak; some controllers are reset by it.
    """
    import serial

    port: Any = None
    try:
        port = serial.serial_for_url(device, do_not_open=True, exclusive=True)
        port.baudrate, port.bytesize, port.parity = settings.baud, settings.bytesize, settings.parity
        port.stopbits = settings.stopbits
        port.xonxoff, port.rtscts = settings.flow == "xonxoff", settings.flow == "rtscts"
        port.timeout, port.write_timeout = read_timeout, WRITE_TIMEOUT
        port.dtr = raise_dtr
        if not port.rtscts:
            port.rts = raise_dtr
        port.open()
    except Exception as error:
        with contextlib.suppress(Exception):
            port.close()
        text = str(error)
        if "exclusively lock" in text or "busy" in text.lower():
            text = "another program holds it (a modem manager, a terminal, another daemon)"
        elif "No such file" in text or "could not find" in text.lower():
            text = "there is no such port; `weighloop ports` lists those that are plugged in"
        elif "Permission" in text:
            text = "not allowed for this user; on most systems membership of the group 'dialout' is needed"
        elif (other := port_names.other_than_port(device)) or f"({errno.ENOTTY}," in text:
            text = f"it is {other or 'not a serial port'}; `weighloop ports` lists those that are plugged in"
        raise DeviceLost(f"{device} cannot be opened: {text}") from error
    return port


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How a serial line is set: bits a second, data bits, parity, stop bits, flow control."""

    baud: int = 9600
    bytesize: int = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stopbits: float = 1
    flow: Literal["none", "xonxoff", "rtscts"] = "none"

    @classmethod
    def parse(cls, text: str) -> LineSettings:
        """The settings that ``str`` gives as ``text``. Raises ValueError."""
        found = re.fullmatch(r"([0-9]{2,7}) ([5-8])([NEOMS])(1|1\.5|2)(?: (xonxoff|rtscts))?", text)
        if found is None:
            raise ValueError(f"{text!r} are no line settings such as 9600 8N1")
        baud, bits, parity, stop, flow = found.groups()
        named: dict[str, Any] = {"parity": parity, "flow": flow or "none"}
        return cls(int(baud), int(bits), stopbits=float(stop), **named)

    def __str__(self) -> str:
        flow = "" if self.flow == "none" else f" {self.flow}"
        return f"{self.baud} {self.bytesize}{self.parity}{self.stopbits:g}{flow}"
