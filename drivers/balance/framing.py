"""From bytes to readings: cuts a balance's byte stream into lines and keeps what only a stream can tell.

Pure: no port, no clock. Three things are checked beyond the single line: a line without an end is
cut off, a sequence number that comes twice is refused, and the unit and the number of decimals
may not change between two lines: a lost character must not turn grams into milligrams.
"""

from __future__ import annotations

from dataclasses import dataclass

from .dialect import Dialect, Understood

#: Lines of a new unit or new decimals, in a row, before they are believed.
CONFIRM = 3


@dataclass(frozen=True, slots=True)
class Reading:
    """A line that matched. ``value`` in kg, None where the balance shows no usable number."""

    value: float | None
    mark: str | None
    sequence: int | None
    raw: bytes


@dataclass(frozen=True, slots=True)
class Answer:
    """A line that is no reading: ``rezero-done``, ``rezero-refused``, ``not-now``, ``identity``, ``notice``.

    ``text`` is the serial number that an ``identity`` names.
    """

    meaning: str
    raw: bytes
    text: str = ""


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """Bytes that are no line of this dialect, and why."""

    raw: bytes
    why: str


class LineStream:
    """The bytes of one opening of a port, in order, as what they say."""

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._buffer = b""
        self._first = True  # an opening falls into the middle of a line
        self._overlong = False
        self._unit: str | None = None
        self._shape: tuple[str | None, int | None] | None = None
        self._new_shape: tuple[str | None, int | None] | None = None
        self._new_count = 0
        self._sequence: int | None = None
        self.missed = 0  # numbers missing from the sequence, where lines carry one

    def feed(self, chunk: bytes) -> list[Reading | Answer | RefusedLine]:
        """What a chunk of any size adds."""
        heard: list[Reading | Answer | RefusedLine] = []
        end = self._dialect.terminator[-1:]
        *lines, self._buffer = (self._buffer + chunk).split(end)
        for line in lines:
            overlong, self._overlong = self._overlong, False
            if overlong:
                self._first = False
                continue  # the end of what was already refused
            item = self._line(line + end)
            if item is not None and not (self._first and isinstance(item, RefusedLine)):
                heard.append(item)
            self._first = False
        if len(self._buffer) > self._dialect.longest:
            if not self._overlong:
                why = f"no end of line in {self._dialect.longest} characters"
                heard.append(RefusedLine(self._buffer[: self._dialect.longest], why))
            self._overlong, self._buffer = True, b""
        return heard

    def _line(self, raw: bytes) -> Reading | Answer | RefusedLine | None:
        if len(raw) > self._dialect.longest:
            return RefusedLine(
                raw[: self._dialect.longest], f"longer than {self._dialect.longest} characters"
            )
        terminator = self._dialect.terminator
        if raw == terminator:
            return None
        if not raw.endswith(terminator):
            return RefusedLine(raw, "wrong end of line")
        understood = self._dialect.parse(raw[: -len(terminator)])
        if isinstance(understood, str):
            return RefusedLine(raw, understood)
        if understood.meaning in ("reading", "overload", "underload"):
            return self._reading(understood, raw)
        return Answer(understood.meaning, raw, understood.identity or "")

    def _reading(self, said: Understood, raw: bytes) -> Reading | RefusedLine:
        if said.sequence is not None:
            if said.sequence == self._sequence:
                return RefusedLine(raw, f"sequence number {said.sequence} came twice")
            if self._sequence is not None and said.sequence > self._sequence:
                self.missed += said.sequence - self._sequence - 1
            self._sequence = said.sequence
        if said.number is None:
            return Reading(None, said.mark, said.sequence, raw)
        unit = said.unit if said.unit is not None else self._unit
        if unit is None:  # blank, and never named so far: the number may be of any unit
            return Reading(None, said.mark, said.sequence, raw)
        shape = (unit, said.decimals)
        if self._shape not in (None, shape):
            self._new_count = self._new_count + 1 if shape == self._new_shape else 1
            self._new_shape = shape
            if self._new_count < CONFIRM:
                old = f"{self._shape[1]} decimals {self._shape[0]}" if self._shape else ""
                return RefusedLine(
                    raw, f"{shape[1]} decimals {unit} after {old}: not believed until repeated"
                )
        self._shape, self._unit, self._new_shape, self._new_count = shape, unit, None, 0
        return Reading(self._dialect.kilograms(said.number, unit), said.mark, said.sequence, raw)
