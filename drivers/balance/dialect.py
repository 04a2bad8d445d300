"""A balance's dialect: line settings, the forms its lines may have, and its commands.

A dialect is data (a TOML file, see ``dialects/``); ``dialect_file`` checks such a file and builds
the frozen record below. Lines are matched strictly: a line either matches one form wholly, or it
is refused. Nothing is ever guessed from a part of a line.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Literal

from ..device import DeviceError
from ..serial.port import LineSettings

Meaning = Literal[
    "reading", "overload", "underload", "not-now", "rezero-done", "rezero-refused", "identity", "notice"
]
Mark = Literal["steady", "unsteady"]

#: Kilograms in one of each unit, exact. Metric carat: 200 mg (4th CGPM, 1907).
KILOGRAMS: Final[Mapping[str, Decimal]] = {
    "kg": Decimal(1),
    "g": Decimal("0.001"),
    "mg": Decimal("0.000001"),
    "ct": Decimal("0.0002"),
}


_HEXADECIMAL, _DIGITS = re.compile(rb"[0-9A-Fa-f]{1,16}"), re.compile(rb"[0-9]{1,18}")
_NUMBER = re.compile(rb"[+-]?(?:[0-9]{1,20}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})")


class DialectError(DeviceError):
    """A dialect that cannot be used; ``faults`` lists all of them, each with its place."""

    def __init__(self, source: str, faults: list[str]) -> None:
        self.source, self.faults = source, faults
        super().__init__(f"dialect {source}: " + "; ".join(faults))


@dataclass(frozen=True, slots=True)
class Form:
    """One form a line may have. ``pattern`` matches the whole line, without its terminator.

    Its named groups: ``sign``, ``number``, ``unit``, ``mark``, ``sequence``, ``body``, ``check``
    (CRC-32 of the body, hexadecimal) and ``identity`` (the balance's serial number).
    """

    meaning: Meaning
    pattern: re.Pattern[bytes]
    marks: Mapping[bytes, Mark] = field(default_factory=dict)
    unit: str | None = None  # where the line does not name it
    blank_unit_mark: Mark | None = None  # what a blank where the unit stands says


@dataclass(frozen=True, slots=True)
class Understood:
    """What one line says. ``value`` in kg; ``unit`` None where the line leaves it blank."""

    meaning: Meaning
    mark: str | None = None
    number: Decimal | None = None
    unit: str | None = None
    sequence: int | None = None
    identity: str | None = None

    @property
    def decimals(self) -> int | None:
        """Decimal places the number was sent with."""
        if self.number is None:
            return None
        exponent = self.number.as_tuple().exponent
        return -exponent if isinstance(exponent, int) else None


@dataclass(frozen=True, slots=True)
class Ask:
    """How to ask for a reading: ``request`` every ``period`` s, always or only when nothing comes."""

    request: bytes
    when: Literal["always", "silent"]
    period: float


@dataclass(frozen=True, slots=True)
class Dialect:
    """One dialect, checked."""

    name: str
    about: str
    settings: LineSettings
    terminator: bytes
    longest: int
    forms: tuple[Form, ...]
    units: Mapping[bytes, Decimal]  # as written on the line: kilograms in one
    unit_names: Mapping[bytes, str]
    examples: tuple[tuple[bytes, str], ...]
    ask: Ask | None = None
    rezero: bytes | None = None
    identity: bytes | None = None  # asks for the balance's serial number
    interval: float | None = None  # s between lines when the balance sends by itself; None: learnt
    #: What the lines of this dialect cannot protect against, in words; None where nothing was found.
    weakness: str | None = None

    @property
    def acknowledges(self) -> bool:
        """Whether the balance confirms a re-zero."""
        return any(form.meaning == "rezero-done" for form in self.forms)

    def parse(self, line: bytes) -> Understood | str:
        """One line without its terminator: what it says, or in words why it is refused."""
        for form in self.forms:
            if found := form.pattern.fullmatch(line):
                return _read(form, found.groupdict(), self.unit_names)
        return "matches no form of this dialect"

    def kilograms(self, number: Decimal, unit: str) -> float:
        """A number in a unit this dialect names (its name, such as ``g``), in kg."""
        for written, name in self.unit_names.items():
            if name == unit:
                return float(number * self.units[written])
        return float(number * KILOGRAMS[unit])


def _read(form: Form, groups: Mapping[str, bytes | None], names: Mapping[bytes, str]) -> Understood | str:
    check = groups.get("check")
    if check is not None and not (
        _HEXADECIMAL.fullmatch(check) and int(check, 16) == zlib.crc32(groups.get("body") or b"")
    ):
        return "check sum does not hold"
    sequence = groups.get("sequence")
    if sequence and not _DIGITS.fullmatch(sequence):
        return f"sequence number {sequence.decode('ascii', 'replace')!r} is no number"
    mark: str | None = None
    if (written := groups.get("mark")) is not None:
        mark = form.marks.get(written)
    if form.meaning != "reading":
        if form.meaning in ("overload", "underload"):
            mark = form.meaning
        known = groups.get("identity")
        return Understood(
            form.meaning,
            mark,
            sequence=int(sequence) if sequence else None,
            identity=None if known is None else known.decode("latin-1"),
        )
    number = groups.get("number") or b""
    sign = groups.get("sign") or b""
    unit = form.unit
    if (written := groups.get("unit")) is not None:
        unit = names.get(written.strip()) if written.strip() else None
        if written.strip() and unit is None:
            return f"unit {written.decode('ascii', 'replace')!r} is not one of this dialect's"
        if unit is None and form.blank_unit_mark is not None:
            mark = form.blank_unit_mark
        elif form.blank_unit_mark is not None and mark is None:
            mark = "unsteady" if form.blank_unit_mark == "steady" else "steady"
    written = sign.strip() + number.strip()
    if not _NUMBER.fullmatch(written):  # a form that takes more than numbers
        return f"{written.decode('ascii', 'replace')!r} is no number"
    value = Decimal(written.decode("ascii"))
    return Understood("reading", mark, value, unit, int(sequence) if sequence else None)
