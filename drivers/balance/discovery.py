"""Which serial ports there are, and what speaks at one of them.

``listen`` tries line settings and dialects on what is really heard, and gives the evidence: how many
lines fitted, how many did not, and some of them as they came. Results are plain, ready for JSON.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypedDict

from ..clock import Clock, RealClock
from ..serial import identity as port_names
from ..serial.port import Deadline, LineSettings, open_port, read_port, write_port
from .dialect import Dialect, DialectError
from .dialects import load_dialect, names
from .framing import LineStream, RefusedLine

log = logging.getLogger(__name__)

#: Settings tried after the dialects' own: balances leave the works with one of these (common
#: practice, no source).
USUAL_BAUDS = (9600, 2400, 4800, 19200, 1200, 38400, 57600, 115200)
USUAL_SETTINGS = (
    *(LineSettings(baud) for baud in USUAL_BAUDS),
    *(LineSettings(baud, 7, "E") for baud in USUAL_BAUDS),
    *(LineSettings(baud, 7, "O") for baud in USUAL_BAUDS),
)
#: Lines that must fit before a fit is called clear.
CLEAR_LINES = 3
SAMPLES = 3
#: How long an answer to a request may take, s.
ANSWER_PATIENCE = 0.5


class PortLine(TypedDict):
    """One serial port of this machine. ``stable_name`` survives replugging where there is one."""

    device: str
    stable_name: str | None
    identity: str | None
    description: str


class Fit(TypedDict):
    """How well one dialect at one setting explains what was heard.

    ``dialect`` is None where bytes came that no dialect explains. ``clear``: no doubt is left.
    ``asked``: the lines came on request. ``samples``: some as they came, escaped.
    """

    dialect: str | None
    settings: str
    clear: bool
    good: int
    refused: int
    asked: bool
    samples: list[str]
    words: str


def list_ports() -> list[PortLine]:
    """The serial ports of this machine, sorted by name."""
    return [
        {
            "device": record.device,
            "stable_name": record.stable_name,
            "identity": str(record.identity) if record.identity else None,
            "description": record.description,
        }
        for record in port_names.records()
    ]


def listen(
    port: str,
    seconds: float = 60.0,
    *,
    each: float = 2.0,
    dialects: Iterable[Dialect] | None = None,
    settings: Sequence[LineSettings] | None = None,
    clock: Clock | None = None,
    progress: Callable[[LineSettings], None] | None = None,
) -> list[Fit]:
    """Which dialects and line settings fit what is heard at ``port``, best first.

    Listens ``each`` seconds at a setting (longer where something sensible comes), at most
    ``seconds`` in all; where nothing comes, each dialect's request is sent (asking for a reading
    changes nothing at a balance). Stops at the first clear fit. An empty list means that not one
    byte came. Raises DeviceLost when the port cannot be opened or fails.
    """
    clock = clock or RealClock()
    known = list(dialects) if dialects is not None else _at_hand()
    if settings is None:
        own = [dialect.settings for dialect in known]
        settings = list(dict.fromkeys([*own, *USUAL_SETTINGS]))
    if port_names.is_url(port):
        settings = settings[:1]  # the far end of a network port is set there
    fits: list[Fit] = []
    end = Deadline(clock, seconds)
    for setting in settings:
        if progress is not None:
            progress(setting)
        fits += _try(port, setting, known, each, clock)
        if any(fit["clear"] for fit in fits) or end.left() <= 0:
            break
    return sorted(
        fits, key=lambda fit: (fit["dialect"] is None, not fit["clear"], -fit["good"], fit["refused"])
    )


def _at_hand() -> list[Dialect]:
    """The dialects here; a user's own that cannot be used is named and passed over."""
    usable = []
    for name in names():
        try:
            usable.append(load_dialect(name))
        except DialectError as error:
            log.warning("passed over: %s", error)
    return usable


def _try(port: str, setting: LineSettings, dialects: list[Dialect], each: float, clock: Clock) -> list[Fit]:
    serial = open_port(port, setting, 0.02)
    try:
        data, fits = b"", list[Fit]()
        for _ in range(3):
            data += _hear(serial, each, clock)
            fits = _fits(data, setting, dialects, asked=False)
            if not fits or fits[0]["dialect"] is None or any(fit["clear"] for fit in fits):
                break
        if data:
            return fits
        for dialect in dialects:
            if dialect.ask is not None and (data := _asked(serial, dialect, clock)):
                fits += _fits(data, setting, dialects, asked=True)
                if any(fit["clear"] for fit in fits):
                    break
        return fits
    finally:
        serial.close()


def _asked(serial: Any, dialect: Dialect, clock: Clock) -> bytes:
    """What a few requests of this dialect bring."""
    assert dialect.ask is not None
    data = b""
    for _ in range(CLEAR_LINES + 1):
        write_port(serial, dialect.ask.request)
        answer = _hear(serial, ANSWER_PATIENCE, clock, enough=dialect.terminator)
        if not answer:
            break
        data += answer
    return data


def _hear(serial: Any, seconds: float, clock: Clock, enough: bytes | None = None) -> bytes:
    data, end, late = b"", Deadline(clock, seconds), False
    while not late and (enough is None or enough not in data):
        late = end.left() <= 0  # a machine that was busy meanwhile reads once more
        data += read_port(serial)
    return data


def _fits(data: bytes, setting: LineSettings, dialects: list[Dialect], *, asked: bool) -> list[Fit]:
    if not data:
        return []
    fits = []
    for dialect in dialects:
        items = LineStream(dialect).feed(data)
        good = [item.raw for item in items if not isinstance(item, RefusedLine)]
        if good:
            fits.append(_fit(dialect.name, setting, good, len(items) - len(good), asked))
    return fits or [_fit(None, setting, [data[:60]], data.count(b"\n"), asked)]


def _fit(name: str | None, setting: LineSettings, lines: list[bytes], refused: int, asked: bool) -> Fit:
    good = len(lines) if name is not None else 0
    how = "on request" if asked else "unasked"
    if name is None:
        words = f"at {setting} something comes {how} that no dialect explains"
    else:
        words = f"{name} at {setting}: {good} lines fit, {refused} do not; they came {how}"
    return {
        "dialect": name,
        "settings": str(setting),
        "clear": good >= CLEAR_LINES and good >= 9 * refused,
        "good": good,
        "refused": refused,
        "asked": asked,
        "samples": [repr(line)[2:-1] for line in lines[:SAMPLES]],
        "words": words,
    }
