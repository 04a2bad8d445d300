"""Captures: what a device really said, byte for byte and when, with what it should mean.

A capture is a text file of JSON lines. The first line is the header; every other line is
``[seconds, "bytes"]`` with each byte as the character of the same number. It is never edited: a
parser's fault is mended by making the capture decode, and a new device begins with a new capture.
"""

from __future__ import annotations

import json
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ..clock import Clock, RealClock
from ..device import DeviceError
from ..serial.port import Deadline, LineSettings, open_port, read_port, write_port
from .dialect import Dialect
from .framing import Answer, LineStream, Reading

FORMAT = 1


class CaptureError(DeviceError):
    """A capture file that cannot be read, with the line and what is wrong there."""


@dataclass(frozen=True)
class Header:
    """What a capture is of. ``origin`` says honestly where the bytes come from; ``odd`` what is
    special about them. ``expected`` is the meaning of each line in order: ``"12.345 g steady"``
    style for readings (value in kg, then mark), the meaning for answers, ``refused`` for the rest.
    """

    dialect: str
    settings: str
    origin: str
    odd: str
    expected: tuple[str, ...]
    capture: int = FORMAT


@dataclass(frozen=True)
class Capture:
    """A header and the timed bytes: (seconds from the start, bytes)."""

    header: Header
    chunks: tuple[tuple[float, bytes], ...]

    @property
    def data(self) -> bytes:
        """All bytes."""
        return b"".join(chunk for _, chunk in self.chunks)


def meanings(dialect: Dialect, data: bytes, *, from_start: bool = True) -> list[str]:
    """What every line of ``data`` means in a dialect, in a capture's words.

    ``from_start``: the data begins at a line's start, so that the first line is judged as well.
    """
    stream = LineStream(dialect)
    if from_start:
        stream.feed(dialect.terminator)
    said = []
    for item in stream.feed(data):
        if isinstance(item, Reading):
            value = "none" if item.value is None else f"{item.value:.9g} kg"
            said.append(f"{value} {item.mark}" if item.mark else value)
        else:
            said.append(item.meaning if isinstance(item, Answer) else "refused")
    return said


def save(capture: Capture, path: Path) -> None:
    """Write a capture; refuses to write over another."""
    if path.exists():
        raise CaptureError(f"{path}: exists; a capture is never written over")
    lines = [json.dumps(asdict(capture.header))]
    lines += [json.dumps([round(at, 6), chunk.decode("latin-1")]) for at, chunk in capture.chunks]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def load(path: Path) -> Capture:
    """Read a capture. Raises CaptureError naming the line."""
    try:
        first, *rest = path.read_text(encoding="ascii").splitlines()
        head: dict[str, Any] = json.loads(first)
        head["expected"] = tuple(head["expected"])
        header = Header(**head)
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise CaptureError(f"{path}: the first line must be the header: {error}") from None
    if header.capture != FORMAT:
        raise CaptureError(f"{path}: format {header.capture}; this program reads {FORMAT}")
    chunks: list[tuple[float, bytes]] = []
    for number, line in enumerate(rest, 2):
        try:
            at, text = json.loads(line)
            chunks.append((float(at), text.encode("latin-1")))
        except (ValueError, TypeError, AttributeError) as error:
            raise CaptureError(f"{path}, line {number}: must be [seconds, text]: {error}") from None
        if len(chunks) > 1 and chunks[-1][0] < chunks[-2][0]:
            raise CaptureError(f"{path}, line {number}: {at} s is earlier than the line before")
    return Capture(header, tuple(chunks))


def record(
    port: str,
    dialect: Dialect,
    seconds: float,
    *,
    origin: str,
    odd: str = "",
    settings: LineSettings | None = None,
    clock: Clock | None = None,
) -> Capture:
    """Listen to a real port and keep what comes. What it means is filled in by this program.

    Check the expected meanings by eye against the balance's display before keeping the file.
    """
    clock = clock or RealClock()
    serial = open_port(port, settings or dialect.settings, 0.01)
    try:
        begun, end = clock.now(), Deadline(clock, seconds)
        next_request = time.monotonic()
        chunks: list[tuple[float, bytes]] = []
        while end.left() > 0:
            if dialect.ask is not None and dialect.ask.when == "always" and time.monotonic() >= next_request:
                write_port(serial, dialect.ask.request)
                next_request += dialect.ask.period
            if data := read_port(serial):
                chunks.append((clock.now() - begun, data))
    finally:
        serial.close()
    expected = meanings(dialect, b"".join(chunk for _, chunk in chunks))
    header = Header(dialect.name, str(settings or dialect.settings), origin, odd, tuple(expected))
    return Capture(header, tuple(chunks))


def main() -> None:
    """Record a capture from a port: ``python -m weighloop.drivers.balance.capture PORT DIALECT FILE``."""
    import argparse

    from .dialects import load_dialect

    parser = argparse.ArgumentParser(
        prog="python -m weighloop.drivers.balance.capture",
        description="Record what a balance says, byte for byte.",
    )
    parser.add_argument("port")
    parser.add_argument("dialect", help="a name, or the path of a dialect's file")
    parser.add_argument("file", type=Path, help="to write; such as tests/captures/my-balance.capture")
    parser.add_argument("--for", dest="seconds", type=float, default=60.0, help="seconds to listen (60)")
    parser.add_argument("--origin", required=True, help="what device, where, when")
    parser.add_argument("--odd", default="", help="what was done to it meanwhile")
    given = parser.parse_args()
    try:
        dialect = load_dialect(given.dialect)
        capture = record(given.port, dialect, given.seconds, origin=given.origin, odd=given.odd)
        save(capture, given.file)
    except DeviceError as error:
        parser.exit(1, f"{error}\n")
    for meaning in capture.header.expected:
        print(meaning)
    print(f"{given.file}: {len(capture.data)} bytes; compare the lines above with the balance's display")


if __name__ == "__main__":
    main()
