"""Captures: what a device really said, byte for byte and when, with what it should mean.

A capture is a text file of JSON lines. The first line is the header; every other line is
``[seconds, "bytes"]`` with each byte as the character of the same number. It is never edited: a
parser's fault is mended by making the capture decode, and a new device begins with a new capture. Of a
device that no dialect explains the dialect is ``unknown``, and no line means anything.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ..clock import Clock, RealClock
from ..device import DeviceError, DeviceLost
from ..serial.port import Deadline, LineSettings, open_port, read_port, write_port
from .dialect import Dialect
from .dialects import load_dialect
from .discovery import Fit
from .framing import Answer, LineStream, Reading

FORMAT = 1
UNKNOWN = "unknown"


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
    """Write a capture; refuses to write over another, or through a link."""
    lines = [json.dumps(asdict(capture.header))]
    lines += [json.dumps([round(at, 6), chunk.decode("latin-1")]) for at, chunk in capture.chunks]
    try:
        with path.open("x", encoding="ascii") as file:
            file.write("\n".join(lines) + "\n")
    except FileExistsError:
        raise CaptureError(f"{path}: exists; a capture is never written over") from None


def load(path: Path) -> Capture:
    """Read a capture. Raises CaptureError naming the line."""
    try:
        first, *rest = path.read_text(encoding="ascii").splitlines()
        head: dict[str, Any] = json.loads(first)
        head["expected"] = tuple(head["expected"])
        header = Header(**head)
    except (OSError, ValueError, TypeError, KeyError, RecursionError) as error:
        raise CaptureError(f"{path}: the first line must be the header: {error}") from None
    if header.capture != FORMAT:
        raise CaptureError(f"{path}: format {header.capture}; this program reads {FORMAT}")
    chunks: list[tuple[float, bytes]] = []
    for number, line in enumerate(rest, 2):
        try:
            at, text = json.loads(line)
            chunks.append((float(at), text.encode("latin-1")))
            if not math.isfinite(chunks[-1][0]):
                raise ValueError(f"{at} s is no time")
        except (ValueError, TypeError, AttributeError, RecursionError, OverflowError) as error:
            raise CaptureError(f"{path}, line {number}: must be [seconds, text]: {error}") from None
        if len(chunks) > 1 and chunks[-1][0] < chunks[-2][0]:
            raise CaptureError(f"{path}, line {number}: {at} s is earlier than the line before")
    return Capture(header, tuple(chunks))


def record(
    port: str,
    dialect: Dialect | None,
    seconds: float,
    *,
    origin: str,
    odd: str = "",
    settings: LineSettings | None = None,
    asking: bool = False,
    clock: Clock | None = None,
) -> Capture:
    """Listen to a real port and keep what comes. What it means is filled in by this program.

    ``dialect`` None: of a device that none explains, at ``settings``. ``asking``: send the dialect's
    request also where it need not be sent to every balance. What was heard is kept where the port is
    lost meanwhile. Check the expected meanings by eye against the balance's display before keeping the file.
    """
    clock = clock or RealClock()
    settings = settings or (dialect.settings if dialect is not None else LineSettings())
    ask = dialect.ask if dialect is not None else None
    asked = ask is not None and (asking or ask.when == "always")
    serial = open_port(port, settings, 0.01)
    chunks: list[tuple[float, bytes]] = []
    try:
        begun, end = clock.now(), Deadline(clock, seconds)
        next_request = time.monotonic()
        while end.left() > 0:
            if ask is not None and asked and time.monotonic() >= next_request:
                write_port(serial, ask.request)
                next_request += ask.period
            if data := read_port(serial):
                chunks.append((clock.now() - begun, data))
    except DeviceLost as error:
        odd = f"{odd}; {error}".removeprefix("; ")
    finally:
        serial.close()
    data = b"".join(chunk for _, chunk in chunks)
    expected = meanings(dialect, data) if dialect is not None else []
    name = dialect.name if dialect is not None else UNKNOWN
    return Capture(Header(name, str(settings), origin, odd, tuple(expected)), tuple(chunks))


def keep(port: str, path: Path, fits: Sequence[Fit], seconds: float, *, origin: str) -> Capture:
    """Record ``seconds`` of what was found at ``port`` by listening, and save it at ``path``.

    Raises CaptureError where nothing was found or came, or where ``path`` exists.
    """
    if os.path.lexists(path):
        raise CaptureError(f"{path}: exists; a recording is never written over")
    if not fits:
        raise CaptureError(f"{port}: not one byte came, so there is nothing to keep")
    best = fits[0]
    dialect = load_dialect(best["dialect"]) if best["dialect"] else None
    settings = LineSettings.parse(best["settings"])
    capture = record(port, dialect, seconds, origin=origin, settings=settings, asking=best["asked"])
    if not capture.chunks:
        raise CaptureError(f"{port}: nothing came any more, so there is nothing to keep")
    save(capture, path)
    return capture


def main() -> None:
    """Record a capture from a port: ``python -m weighloop.drivers.balance.capture PORT DIALECT FILE``."""
    import argparse

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
