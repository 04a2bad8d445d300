"""Which serial ports there are, and what speaks at one of them.

``listen`` tries line settings and dialects on what is really heard, and gives the evidence: how many
lines fitted, how many did not, and some of them as they came.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from . import port_names
from .clock import Clock, RealClock
from .dialect import Dialect, LineSettings, load_dialect, names
from .line_stream import LineStream, Refused
from .port_names import PortRecord
from .serial_line import Deadline, open_port, read_port, write_port

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


@dataclass(frozen=True, slots=True)
class Fit:
    """How well one dialect at one setting explains what was heard.

    ``dialect`` is None where bytes came that no dialect explains. ``asked``: they came on request.
    """

    dialect: str | None
    settings: LineSettings
    good: int
    refused: int
    asked: bool
    samples: tuple[bytes, ...]
    heard: int  # bytes

    @property
    def clear(self) -> bool:
        """Whether there is no doubt left."""
        return self.good >= CLEAR_LINES and self.good >= 9 * self.refused

    @property
    def words(self) -> str:
        """The evidence in one sentence."""
        how = "on request" if self.asked else "by itself"
        if self.dialect is None:
            return f"{self.settings}: {self.heard} bytes came {how} that no dialect explains"
        return (
            f"{self.dialect} at {self.settings}: {self.good} lines fit, {self.refused} do not; "
            f"they came {how}"
        )


def list_ports() -> list[PortRecord]:
    """The serial ports of this machine."""
    return port_names.records()


def listen(
    port: str,
    *,
    seconds: float = 2.0,
    dialects: Iterable[Dialect] | None = None,
    settings: Sequence[LineSettings] | None = None,
    clock: Clock | None = None,
    progress: Callable[[LineSettings], None] | None = None,
) -> list[Fit]:
    """Which dialects and line settings fit what is heard at ``port``, best first.

    Listens ``seconds`` at each setting; where nothing comes, each dialect's request is sent (a
    request for a reading changes nothing at a balance). Stops at the first clear fit. An empty
    list means that not one byte came. Raises DeviceLost when the port cannot be opened or fails.
    """
    clock = clock or RealClock()
    known = list(dialects) if dialects is not None else [load_dialect(name) for name in names()]
    if settings is None:
        own = [dialect.settings for dialect in known]
        settings = list(dict.fromkeys([*own, *USUAL_SETTINGS]))
    if port_names.is_url(port):
        settings = settings[:1]  # the far end of a network port is set there
    fits: list[Fit] = []
    for setting in settings:
        if progress is not None:
            progress(setting)
        fits += _try(port, setting, known, seconds, clock)
        if any(fit.clear for fit in fits):
            break
    return sorted(
        fits, key=lambda fit: (fit.dialect is not None, fit.clear, fit.good, -fit.refused), reverse=True
    )


def _try(
    port: str, setting: LineSettings, dialects: list[Dialect], seconds: float, clock: Clock
) -> list[Fit]:
    serial = open_port(port, setting, 0.02)
    try:
        data = _hear(serial, seconds, clock)
        if data:
            return _fits(data, setting, dialects, asked=False)
        fits: list[Fit] = []
        for dialect in dialects:
            if dialect.ask is None:
                continue
            data = b""
            for _ in range(CLEAR_LINES + 1):
                write_port(serial, dialect.ask.request)
                answer = _hear(serial, ANSWER_PATIENCE, clock, enough=dialect.terminator)
                if not answer:
                    break
                data += answer
            if data:
                fits += _fits(data, setting, dialects, asked=True)
                if any(fit.clear for fit in fits):
                    break
        return fits
    finally:
        serial.close()


def _hear(serial: object, seconds: float, clock: Clock, enough: bytes | None = None) -> bytes:
    data, end = b"", Deadline(clock, seconds)
    while end.left() > 0 and (enough is None or enough not in data):
        data += read_port(serial)
    return data


def _fits(data: bytes, setting: LineSettings, dialects: list[Dialect], *, asked: bool) -> list[Fit]:
    fits = []
    for dialect in dialects:
        items = LineStream(dialect).feed(data)
        good = [item.raw for item in items if not isinstance(item, Refused)]
        if good:
            refused = len(items) - len(good)
            fits.append(
                Fit(dialect.name, setting, len(good), refused, asked, tuple(good[:SAMPLES]), len(data))
            )
    if not fits:
        fits.append(Fit(None, setting, 0, data.count(b"\n"), asked, (data[:60],), len(data)))
    return fits
