"""Recorded balance streams: a CSV with ``time_s,reading_g`` and optionally ``stable``."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import Fault, InputError
from ..records.arrays import Floats
from .text import decoded, plain_number, read_bytes

#: What the ``stable`` column may say, small letters, and the balance's mark it stands for.
MARKS = {
    **dict.fromkeys(("1", "true", "yes", "stable", "steady", "st", "s"), "steady"),
    **dict.fromkeys(("0", "false", "no", "unstable", "unsteady", "us", "d"), "unsteady"),
    **dict.fromkeys(("overload", "ol"), "overload"),
    "underload": "underload",
    "": None,
}
GRAM = 1e-3  # kg
FAULTS_SHOWN = 20
WHAT = "recorded stream"


@dataclass(frozen=True)
class RecordedStream:
    """One recorded stream in the order recorded; arrays of shape (n,).

    ``time`` in s, ``reading`` in kg (NaN where the balance showed no number), ``mark`` the balance's
    own opinion or None. ``source`` names where it came from.
    """

    time: Floats
    reading: Floats
    mark: tuple[str | None, ...]
    source: str = ""

    def __len__(self) -> int:
        return len(self.time)


def read_stream(path: str | Path) -> RecordedStream:
    """Read a recorded stream; raises InputError with every fault and its line."""
    return parse_stream(read_bytes(path, WHAT), str(path))


def parse_stream(content: bytes | str, source: str = "stream") -> RecordedStream:
    """A stream from the content of its file.

    Columns are found by name; columns of other names are left alone. Lines starting with ``#`` and empty
    lines are skipped. Times may stand still or step back (a clock was set): the filter deals with it.
    """
    if isinstance(content, bytes):
        content = decoded(content, source, WHAT)
    lines = content.splitlines()
    rows = [(k, line) for k, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    if not rows:
        raise InputError(source, [Fault("file", "empty", "a header line time_s,reading_g and readings")])
    (at, head), *rows = rows
    names = [name.lower() for name in _split(head)]
    faults: list[Fault] = []
    for wanted in ("time_s", "reading_g"):
        if names.count(wanted) != 1:
            found = "missing" if wanted not in names else "there more than once"
            faults.append(
                Fault(f"line {at}, column {wanted}", found, "a header time_s,reading_g and optionally stable")
            )
    if faults:
        raise InputError(source, faults)
    time, reading, stable = (
        names.index(n) if n in names else None for n in ("time_s", "reading_g", "stable")
    )
    assert time is not None
    assert reading is not None
    times, readings, marks = [], [], []
    for number, line in rows:
        cells = _split(line)
        if len(cells) != len(names):
            faults.append(Fault(f"line {number}", f"{len(cells)} cells", f"{len(names)}, as in the header"))
            continue
        times.append(_number(cells[time], f"line {number}, column time_s", faults, blank=False))
        readings.append(_number(cells[reading], f"line {number}, column reading_g", faults, blank=True))
        word = cells[stable].lower() if stable is not None else ""
        if word not in MARKS:
            faults.append(
                Fault(f"line {number}, column stable", repr(cells[stable or 0]), "1, 0, steady or unsteady")
            )
        marks.append(MARKS.get(word))
    if not rows:
        faults.append(Fault("file", "no readings after the header", "one reading a line"))
    if faults:
        more = len(faults) - FAULTS_SHOWN
        shown = faults[:FAULTS_SHOWN]
        if more > 0:
            shown.append(Fault("file", f"{more} more faults", "as above"))
        raise InputError(source, shown)
    return RecordedStream(np.array(times), np.array(readings) * GRAM, tuple(marks), source)


def _split(line: str) -> list[str]:
    """The cells of one line; none where it is no CSV (a cell of more than 100,000 characters)."""
    try:
        return [cell.strip() for cell in next(csv.reader([line]))]
    except csv.Error:
        return []


def _number(text: str, place: str, faults: list[Fault], blank: bool) -> float:
    """A finite number; an empty cell is no number where ``blank`` allows it (overload, line lost)."""
    if not text and blank:
        return math.nan
    value = plain_number(text)
    if math.isnan(value):
        faults.append(Fault(place, repr(text), "a plain number such as 12.345"))
    return value
