"""The notebook CSV: what a person typed from a paper notebook, or another program wrote.

One strict grammar. Whatever does not fit is named with its row and column, all faults at once;
nothing is guessed here (``notebook_import`` is the reader that guesses, and says what it guessed).
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from datetime import datetime
from pathlib import Path

import numpy as np

from ..errors import Fault, Finding, InputError
from ..records.bench import Bench
from ..records.readings import Readings
from .text import plain_number, read_text

GRAM = 1e-3
#: Times the capacity beyond which readings are no overload but another unit.
_FAR_BEYOND = 20
#: Digits of the balance beyond which the uncertainties of most readings are in another unit.
_COARSE_U = 100
#: The fewest rows that are judged as a column.
_A_COLUMN = 4
MILLIMETRE = 1e-3
ZERO_CELSIUS = 273.15

#: Columns of the notebook and what each holds, in words for a fault message.
COLUMNS = {
    "gap_mm": "the gap in mm, a number such as 12.5",
    "spacers": "the number of spacers, a whole number such as 12",
    "height_mm": "the lift's height above its closest position in mm, a number such as 11.5",
    "orientation": "+1 or -1",
    "reading_g": "the balance's reading in g, a number such as -1.234",
    "zero_before_g": "a reading without the sample in g, or nothing",
    "zero_after_g": "a reading without the sample in g, or nothing",
    "u_g": "the standard uncertainty of the reading in g, above 0, or nothing",
    "temperature_degC": "a temperature in degrees Celsius between -50 and 150, or nothing",
    "time": "a time such as 2026-03-14T10:05:00 (ISO 8601), or nothing",
    "note": "any text",
    "set_aside": "why the row must not be used, or nothing",
}
#: Any of these says where a reading was taken; each row needs one of them.
PLACES = ("gap_mm", "spacers", "height_mm")
_ORIENTATIONS = {"+1": 1, "1": 1, "+": 1, "-1": -1, "-": -1, "+1.0": 1, "1.0": 1, "-1.0": -1}


def read_notebook(path: str | Path, bench: Bench) -> Readings:
    """Read a notebook CSV (UTF-8, with or without a byte-order mark) for ``bench``.

    The bench turns spacer counts into gaps. Raises InputError with every fault found.
    """
    return parse_notebook(read_text(path, "notebook CSV"), bench, str(path))


def parse_notebook(text: str, bench: Bench, source: str = "notebook") -> Readings:
    """The notebook CSV in ``text`` as Readings; raises InputError with every fault found."""
    header, table = _table(text, source)
    faults = _header_faults(header)
    if faults:
        raise InputError(source, faults)
    cells = _Cells(header, faults)
    rows = [cells.row(number, line, fields) for number, (line, fields) in enumerate(table, start=1)]
    if not rows:
        faults.append(Fault("rows", "none below the header", "at least one row of readings"))
    noted = [row.pop("time") for row in rows]
    times = _seconds(noted, faults)
    for row in rows:
        _gap_of(row, bench, faults)
    if not faults:
        faults += _wrong_units(rows, bench)
    if faults:
        raise InputError(source, faults)
    unknown = [name for name in header if name and name not in COLUMNS]
    said = "is not one of the notebook's and was not read"
    remarks = tuple(Finding("unknown-column", f"column {name!r} {said}") for name in unknown)

    def column(name: str, unit: float = 1.0, offset: float = 0.0) -> np.ndarray:
        return np.array([row[name] for row in rows], float) * unit + offset

    return Readings(
        row=np.arange(1, len(rows) + 1),
        gap=column("gap"),
        spacers=column("spacers"),
        orientation=np.array([row["orientation"] for row in rows], np.int64),
        reading=column("reading_g", GRAM),
        zero_before=column("zero_before_g", GRAM),
        zero_after=column("zero_after_g", GRAM),
        u_reading=column("u_g", GRAM),
        temperature=column("temperature_degC", offset=ZERO_CELSIUS),
        time=times,
        note=tuple(row["note"] for row in rows),
        set_aside=tuple(row["set_aside"] or None for row in rows),
        source=source,
        remarks=remarks,
        started=next((text for _, text in noted if text), ""),
    )


def _table(text: str, source: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Header and rows with their line numbers; blank lines and lines starting with # are skipped."""
    text = text.removeprefix("\ufeff")
    lines = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    rows: list[tuple[int, list[str]]] = []
    try:
        for fields in lines:
            fields = [field.strip() for field in fields]
            if not any(fields) or fields[0].startswith("#"):
                continue
            if header is None:
                header = fields
            else:
                rows.append((lines.line_num, fields))
    except csv.Error as error:
        place = f"line {lines.line_num}"
        raise InputError(source, [Fault(place, f"not CSV ({error})", "comma-separated values")]) from None
    if header is None:
        columns = "gap_mm (or spacers), orientation, reading_g"
        raise InputError(source, [Fault("header", "the file is empty", f"a header row with {columns}")])
    return header, rows


def _header_faults(header: list[str]) -> list[Fault]:
    faults: list[Fault] = []
    present = set(header)
    for name in sorted(present):
        if name and header.count(name) > 1:
            faults.append(Fault("header", f"column {name!r} {header.count(name)} times", "each column once"))
    missing = {name for name in ("orientation", "reading_g") if name not in present}
    if not present & set(PLACES):
        missing.add("gap_mm")
    # A near miss of a column that is not there is a slip of the pen, and to leave the column
    # unread would change the figures; any other name is the user's own column.
    for name in header:
        if name in COLUMNS or not name:
            continue
        absent = {column.casefold(): column for column in COLUMNS if column not in present}
        by_stem = [key for key in absent if key.rpartition("_")[0] == name.casefold()]
        for near in by_stem or difflib.get_close_matches(name.casefold(), absent, n=1, cutoff=0.75):
            faults.append(Fault("header", f"column {name!r}", f"{absent[near]!r}, if that was meant"))
            missing.discard(absent[near])
    if missing and len(header) == 1 and any(mark in header[0] for mark in ";\t"):
        return [
            Fault("header", "columns not separated by commas", "commas (or the tolerant import: --tolerant)")
        ]
    for column in sorted(missing):
        wanted = "'gap_mm' or 'spacers'" if column == "gap_mm" else repr(column)
        faults.append(Fault("header", f"no column {wanted}", f"{wanted}: {COLUMNS[column]}"))
    return faults


class _Cells:
    """Reads the cells of one row after another, collecting what is wrong with them."""

    def __init__(self, header: list[str], faults: list[Fault]) -> None:
        self.header = header
        self.faults = faults

    def row(self, number: int, line: int, fields: list[str]) -> dict:
        place = f"row {number} (line {line})"
        if len(fields) > len(self.header) and any(fields[len(self.header) :]):
            found = f"{len(fields)} cells under {len(self.header)} columns"
            expected = "one cell a column (a note with a comma needs quotes; decimal commas need --tolerant)"
            self.faults.append(Fault(place, found, expected))
        cells = dict(zip(self.header, fields, strict=False))

        def number_in(
            name: str, needed: bool = False, low: float = -math.inf, high: float = math.inf
        ) -> float:
            text = cells.get(name, "")
            if not text:
                if needed:
                    self.fault(place, name, "is empty")
                return math.nan
            value = plain_number(text)
            if re.fullmatch(r"[+-]?[0-9]{1,20},[0-9]{1,20}", text):
                right = "write a decimal point, or read the file with --tolerant"
                self.faults.append(
                    Fault(f"{place}, column {name}", f"{_shown(text)} has a decimal comma", right)
                )
                return math.nan
            if not low <= value <= high:
                self.fault(place, name, f"{_shown(text)}")
                return math.nan
            return value

        def must_be(name: str) -> bool:
            """With several of these columns all but one may be left empty in a row."""
            return name in self.header and not any(cells.get(other) for other in PLACES if other != name)

        spacers = number_in("spacers", must_be("spacers"), low=0, high=1e6)
        if math.isfinite(spacers) and spacers != int(spacers):
            self.fault(place, "spacers", _shown(cells["spacers"]))
        orientation = _ORIENTATIONS.get(cells.get("orientation", ""))
        if orientation is None:
            text = cells.get("orientation", "")
            self.fault(place, "orientation", _shown(text) if text else "is empty")
        u = number_in("u_g", low=0, high=1e9)
        if u == 0:
            self.fault(place, "u_g", "'0'")
        return {
            "place": place,
            "gap_mm": number_in("gap_mm", must_be("gap_mm"), low=0, high=1e5),
            "height_mm": number_in("height_mm", must_be("height_mm"), low=0, high=1e5),
            "spacers": spacers,
            "orientation": orientation or 0,
            "reading_g": number_in("reading_g", needed=True, low=-1e9, high=1e9),
            "zero_before_g": number_in("zero_before_g", low=-1e9, high=1e9),
            "zero_after_g": number_in("zero_after_g", low=-1e9, high=1e9),
            "u_g": u,
            "temperature_degC": number_in("temperature_degC", low=-50, high=150),
            "time": (place, cells.get("time", "")),
            "note": cells.get("note", ""),
            "set_aside": cells.get("set_aside", ""),
        }

    def fault(self, place: str, column: str, found: str) -> None:
        self.faults.append(Fault(f"{place}, column {column}", found, COLUMNS[column]))


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _gap_of(row: dict, bench: Bench, faults: list[Fault]) -> None:
    """Put the gap (m) into the row: as noted, or from the lift's height or the spacers by the bench file.

    A height is the lift's alone: a later calibration of contact gap and scale moves the gap that it makes.
    """
    spacer = bench.gap.spacer
    noted = row["gap_mm"] * MILLIMETRE
    if math.isnan(noted):
        noted = bench.gap.at_height(row["height_mm"] * MILLIMETRE)
    row["gap"] = noted
    if math.isnan(row["spacers"]):
        return
    place = row["place"]
    if spacer is None:
        if math.isnan(noted):
            expected = "[gap] spacer in the bench file: the thickness of one"
            faults.append(Fault(f"{place}, column spacers", "no thickness is known", expected))
        return
    counted = bench.gap.contact.value + row["spacers"] * spacer.value
    if math.isnan(noted):
        row["gap"] = counted
    elif abs(noted - counted) > max(0.5 * spacer.value, 1e-6):
        found = f"{row['gap_mm']:g} mm, but {row['spacers']:g} spacers make {counted / MILLIMETRE:g} mm"
        faults.append(Fault(f"{place}, columns gap_mm and spacers", found, "gap and spacers that agree"))


def _wrong_units(rows: list[dict], bench: Bench) -> list[Fault]:
    """A whole column a thousand times too large or too small: noted in another unit than its name says."""
    faults: list[Fault] = []
    if len(rows) < _A_COLUMN:
        return faults
    readings = sorted(abs(row["reading_g"]) for row in rows)
    capacity = bench.balance.capacity / GRAM
    if readings[len(readings) // 2] > capacity and readings[-1] > _FAR_BEYOND * capacity:
        found = (
            f"readings up to {readings[-1]:g} g, on a balance of {capacity:g} g: they look like milligrams"
        )
        right = f"write {readings[-1]:g} mg as {readings[-1] / 1e3:g} under reading_g"
        faults.append(Fault("column reading_g", found, right))
    us = sorted(row["u_g"] for row in rows if row["u_g"] > 0)
    digit = bench.balance.resolution / GRAM
    if us and us[len(us) // 2] > _COARSE_U * digit:
        found = f"up to {us[-1]:g} g, on a balance that shows {digit:g} g: they look like milligrams"
        faults.append(Fault("column u_g", found, f"write {us[-1]:g} mg as {us[-1] / 1e3:g} under u_g"))
    noted = [row["gap_mm"] for row in rows if not math.isnan(row["gap_mm"])]
    contact = bench.gap.contact.value / MILLIMETRE
    if noted and max(noted) < 0.2 * contact and max(noted) * 1e3 > contact:
        found = (
            f"gaps up to {max(noted):g} mm, closer than the smallest of {contact:g} mm: they look like metres"
        )
        faults.append(
            Fault("column gap_mm", found, f"write {max(noted):g} m as {max(noted) * 1e3:g} under gap_mm")
        )
    if noted and min(noted) > 500:
        found = f"gaps from {min(noted):g} mm on: they look like micrometres"
        faults.append(
            Fault("column gap_mm", found, f"write {min(noted):g} um as {min(noted) / 1e3:g} under gap_mm")
        )
    return faults


def _seconds(cells: list[tuple[str, str]], faults: list[Fault]) -> np.ndarray:
    """Times in s since the first one given; NaN where none is."""
    stamps: list[datetime | None] = []
    kinds: set[bool] = set()
    for place, text in cells:
        stamp = None
        if text:
            try:
                stamp = datetime.fromisoformat(text)
                kinds.add(stamp.utcoffset() is not None)
            except ValueError:
                faults.append(Fault(f"{place}, column time", _shown(text), COLUMNS["time"]))
        stamps.append(stamp)
    if len(kinds) > 1:
        expected = "a time zone in every time or in none"
        faults.append(Fault("column time", "some times have a time zone, others none", expected))
        return np.full(len(stamps), math.nan)
    start = next((stamp for stamp in stamps if stamp is not None), None)
    since = [(stamp - start).total_seconds() if stamp and start else math.nan for stamp in stamps]
    return np.array(since, float)
