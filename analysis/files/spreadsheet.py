"""The tolerant reader: notebooks as spreadsheets and people really write them.

It turns a foreign table into the strict notebook CSV and hands that to ``notebook``. Every guess on the
way is named in a sentence; what can be read in two ways is refused, with both named.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from ..errors import Fault, InputError
from ..records.bench import Bench
from ..records.readings import Readings
from .notebook import COLUMNS, parse_notebook
from .text import read_bytes

#: Other words for the notebook's columns, without their unit; the first is our own.
_WORDS = {
    "gap": ("gap", "air gap", "distance", "spacing", "height"),
    "spacers": ("spacers", "spacer", "spacer count", "number of spacers", "shims", "shim count", "n"),
    "orientation": ("orientation", "orient", "polarity", "field direction", "way up"),
    "reading": ("reading", "balance reading", "balance", "display", "weight", "mass"),
    "zero_before": ("zero before", "zero_before", "tare before", "empty before"),
    "zero_after": ("zero after", "zero_after", "tare after", "empty after"),
    "u": ("u", "uncertainty", "standard uncertainty", "u reading"),
    "temperature": ("temperature", "temp"),
    "time": ("time", "date", "date and time", "timestamp"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
    "set_aside": ("set_aside", "set aside", "excluded because"),
}
#: The strict column of each, and units people write with what one of them is in its unit.
_MASS = {"g": 1.0, "mg": 1e-3, "kg": 1e3, "ug": 1e-6, "µg": 1e-6, "ct": 0.2}
_LENGTH = {"mm": 1.0, "cm": 10.0, "m": 1e3, "um": 1e-3, "µm": 1e-3, "in": 25.4, "inch": 25.4}
_STRICT = {
    "gap": ("gap_mm", _LENGTH),
    "reading": ("reading_g", _MASS),
    "zero_before": ("zero_before_g", _MASS),
    "zero_after": ("zero_after_g", _MASS),
    "u": ("u_g", _MASS),
    "temperature": ("temperature_degC", {"degC": 1.0, "°C": 1.0, "C": 1.0}),
}
_ORIENTATIONS = {"up": "+1", "plus": "+1", "+": "+1", "down": "-1", "minus": "-1", "-": "-1"}
_UNIT = re.compile(r"^(.*?)\s*(?:[(\[]\s*([^)\]]+?)\s*[)\]]|[,/]\s*(\S+)|\bin\s+(\S+))$")
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
#: One number: digits that may be grouped, with a decimal part, and perhaps a unit behind.
_CELL = re.compile(r"([+-]?[0-9.,]*[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*([A-Za-zµ°]*)")
#: Digits in threes behind one mark: either a grouped whole number or three decimals.
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}([.,])[0-9]{3}")
#: Characters of a cell that can be a number, and of a header that can name a column.
_LONGEST_NUMBER, _LONGEST_NAME = 60, 200
_DAY_FIRST = re.compile(
    r"([0-9]{1,2})([./])([0-9]{1,2})\2([0-9]{4})(?:[ T]([0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?))?"
)


@dataclass
class _Import:
    """One import under way: what was guessed, and what cannot be read."""

    source: str
    guesses: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def guess(self, sentence: str) -> None:
        if sentence not in self.guesses:
            self.guesses.append(sentence)

    def refuse(self, place: str, found: str, expected: str) -> None:
        self.faults.append(Fault(place, found, expected))

    def stop_if_refused(self) -> None:
        if self.faults:
            raise InputError(self.source, self.faults)


def read_tolerant(path: str | Path, bench: Bench) -> tuple[Readings, list[str]]:
    """Read a notebook in any of the usual spreadsheet forms; returns the readings and every guess made.

    Decimal commas, semicolons or tabs, units in the headers (``reading (mg)``) or behind the numbers,
    other words for the columns, byte-order marks and old encodings. Raises InputError where the table
    can be read in two ways, or not at all.
    """
    work = _Import(str(path))
    return _import(_decoded(read_bytes(path, "notebook"), work), bench, work)


def names_columns(content: bytes) -> bool:
    """Whether a header near the top of a file names two columns of a notebook or more, in any usual form."""
    if b"\0" in content[:4096] and not content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return False
    encoding = "utf-16" if content.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    lines = content[:65536].decode(encoding, errors="replace").splitlines()
    lines = [line for line in lines if line.strip() and not line.lstrip().startswith("#")]
    return any(
        len({_known(cell)[0] for cell in line.split(mark)} - {None}) >= 2
        for line in lines[: _ABOVE + 1]
        for mark in _DELIMITERS
    )


def _decoded(raw: bytes, work: _Import) -> str:
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if raw.startswith(mark):
            try:
                text = raw.decode(encoding)
            except UnicodeDecodeError as error:
                work.refuse(f"byte {error.start + 1}", f"not {encoding} text", "a table saved as UTF-8")
                work.stop_if_refused()
            else:
                if encoding == "utf-16":
                    work.guess("the file is in UTF-16, by its byte-order mark")
                return text
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        work.guess("the file is not UTF-8; read as Windows-1252")
        return raw.decode("cp1252", errors="replace")


def _import(text: str, bench: Bench, work: _Import) -> tuple[Readings, list[str]]:
    rows, separator = _rows(text.removeprefix("\ufeff"), work)
    if len(rows) > 1 and _is_units(rows[1]):
        work.guess("the row below the header has the units")
        rows[:2] = [_with_units(rows[0], rows[1])]
    columns = _columns(rows[0], work)
    body = [[_plain(cell) for cell in row] for row in rows[1:]]
    for number, row in enumerate(body, start=1):
        if any(row[len(rows[0]) :]):
            found = f"{len(row)} cells under {len(rows[0])} columns"
            work.refuse(
                f"row {number}", found, "one cell a column (a decimal comma between commas needs quotes)"
            )
    work.stop_if_refused()
    numeric = [i for i, (name, _) in columns.items() if name in _STRICT or name in ("spacers", "orientation")]
    comma = _decimal_mark(body, numeric, separator, work)
    work.stop_if_refused()
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([_STRICT[name][0] if name in _STRICT else name for name, _ in columns.values()])
    for number, row in enumerate(body, start=1):
        cells = []
        for i, (name, unit) in columns.items():
            cell = row[i] if i < len(row) else ""
            place = f"row {number}, column {rows[0][i].strip()!r}"
            cells.append(_cell(cell, name, unit, comma, place, work))
        writer.writerow(cells)
    work.stop_if_refused()
    return parse_notebook(out.getvalue(), bench, work.source), work.guesses


def _plain(cell: str) -> str:
    """A cell with typographic signs as plain ones: minus, and the spaces that group digits."""
    cell = cell.replace("\u2212", "-").replace("\u2013", "-").replace("\u00a0", " ").replace("\u202f", " ")
    return re.sub(r"(?<=[0-9]) (?=[0-9]{3}\b)", "", cell.strip())


def _is_units(row: list[str]) -> bool:
    """Whether a row holds nothing but units, such as ``mm;;g`` below a spreadsheet's header."""
    units = {*_MASS, *_LENGTH, *_STRICT["temperature"][1]}
    written = [cell.strip(" []()") for cell in row if cell.strip()]
    return bool(written) and all(cell in units for cell in written)


def _with_units(header: list[str], units: list[str]) -> list[str]:
    """A header with the units of the row below it."""
    below = [cell.strip(" []()") for cell in units] + [""] * len(header)
    return [f"{name} ({unit})" if unit else name for name, unit in zip(header, below, strict=False)]


#: A table may stand below a title or two; the header is looked for in this many lines.
_ABOVE = 10


def _header(lines: list[str]) -> int:
    """Index of the header: the first line with an orientation and a reading in it; 0 where there is none."""
    for i, line in enumerate(lines[:_ABOVE]):
        for mark in _DELIMITERS:
            names = {_known(cell)[0] for cell in line.split(mark)}
            if {"orientation", "reading"} <= names:
                return i
    return 0


def _rows(text: str, work: _Import) -> tuple[list[list[str]], str]:
    """Header and rows, and what separates their columns; blank rows and what stands above left out."""
    declared = re.match(r"sep=(.)\r?\n", text)
    if declared:
        text = text[declared.end() :]
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        work.refuse("header", "the file is empty", "a table with a header row")
        work.stop_if_refused()
    above = _header(lines)
    if above:
        work.guess(f"{above} line{'s' if above > 1 else ''} above the header left out")
    lines = lines[above:]
    known = {
        mark: sum(_known(cell)[0] is not None for cell in lines[0].split(mark))
        for mark in ([declared[1]] if declared else _DELIMITERS)
    }
    best = max(known.values())
    marks = [mark for mark, count in known.items() if count == best]
    if best == 0 or (len(marks) > 1 and best > 1):
        wanted = "a gap (or spacers), an orientation and a reading"
        work.refuse("header", f"{lines[0][:60]!r} names no columns of a notebook", wanted)
    elif len(marks) > 1:
        work.refuse("header", "the columns' separator cannot be determined", "commas, semicolons or tabs")
    work.stop_if_refused()
    if marks[0] != ",":
        work.guess(f"columns are separated by {_DELIMITERS.get(marks[0], repr(marks[0]))}")
    try:
        table = csv.reader(io.StringIO("\n".join(lines)), delimiter=marks[0])
        return [row for row in table if any(row)], marks[0]
    except csv.Error as error:
        work.refuse("table", f"not a table ({error})", "quotes that close and lines that end")
        work.stop_if_refused()
        raise


def _known(header: str) -> tuple[str | None, str | None]:
    """The notebook's name for a header and the unit written with it."""
    name = _plain(header[:_LONGEST_NAME]).strip('"').strip()
    for strict, (column, _) in _STRICT.items():
        if name.casefold() == column.casefold():
            return strict, column.rpartition("_")[2]
    match = _UNIT.match(name)
    stem, unit = (match[1], match[2] or match[3] or match[4]) if match else (name, None)
    stem = stem.casefold().replace("_", " ").strip()
    for strict, words in _WORDS.items():
        if stem in words or stem == strict.replace("_", " "):
            return strict, unit
    return None, None


def _columns(header: list[str], work: _Import) -> dict[int, tuple[str, float]]:
    """Index of each column to its notebook name and the factor to the notebook's unit."""
    found: dict[int, tuple[str, float]] = {}
    for i, cell in enumerate(header):
        name, unit = _known(cell)
        if name is None:
            if cell.strip():
                work.guess(f"column {cell.strip()!r} is not one of the notebook's and was not read")
            continue
        if name in {other for other, _ in found.values()}:
            work.refuse(f"column {cell.strip()!r}", f"a second column for {name}", "one")
            continue
        factor = 1.0
        if name in _STRICT:
            column, units = _STRICT[name]
            own = column.rpartition("_")[2]
            if unit is None:
                work.guess(f"column {cell.strip()!r} has no unit; read in {own}")
            elif unit in units:
                factor = units[unit]
            else:
                work.refuse(f"column {cell.strip()!r}", f"unit {unit!r}", f"one of {', '.join(units)}")
        strict = _STRICT[name][0] if name in _STRICT else name
        if cell.strip() not in COLUMNS:
            work.guess(f"column {cell.strip()!r} read as {strict}")
        found[i] = (name, factor)
    return found


def _decimal_mark(body: list[list[str]], numeric: list[int], separator: str, work: _Import) -> bool:
    """Whether the decimal mark is the comma; from all numbers of the table together.

    ``1,234`` alone may be either. So may ``1.234``, unless columns are separated by commas: who separates by
    semicolons or tabs often does so because of decimal commas.
    """
    cells = [(n, i, row[i]) for n, row in enumerate(body, 1) for i in numeric if i < len(row) and row[i]]
    for_comma, for_point, either = [], [], []
    for n, i, cell in cells:
        match = _CELL.fullmatch(cell[:_LONGEST_NUMBER])
        number = match[1] if match else ""
        last = max(number.rfind(","), number.rfind("."))
        if last < 0:
            continue
        mark, other = (",", ".") if number[last] == "," else (".", ",")
        if number.count(mark) > 1:
            (for_point if mark == "," else for_comma).append((n, i, cell))  # 1,234,567 groups digits
        elif other in number or not _GROUPED.fullmatch(number) or number.lstrip("+-").startswith("0"):
            (for_comma if mark == "," else for_point).append((n, i, cell))
        else:
            either.append((n, i, cell))
    if for_comma and for_point:
        (n, _, first), (m, _, second) = for_comma[0], for_point[0]
        found = f"{first!r} in row {n} has a decimal comma, {second!r} in row {m} a decimal point"
        work.refuse("numbers", found, "one decimal mark throughout")
        return False
    if for_comma:
        work.guess("the decimal mark is the comma")
        return True
    with_comma = [entry for entry in either if "," in entry[2]]
    doubtful = with_comma or (either if separator != "," else [])
    if doubtful and not for_point:
        n, _, cell = doubtful[0]
        grouped, decimal = cell.replace(",", "").replace(".", ""), cell.replace(",", ".")
        found = f"{cell!r} in row {n} may be {grouped} or {decimal}"
        work.refuse("numbers", found, "at least one number that shows which mark is the decimal one")
    elif with_comma:
        work.guess("commas group digits (1,234 is one thousand two hundred and thirty-four)")
    return False


def _cell(cell: str, name: str, factor: float, comma: bool, place: str, work: _Import) -> str:
    """A cell as the strict notebook has it."""
    if not cell or name in ("note", "set_aside"):
        return cell
    if name == "time":
        return _time(cell, place, work)
    if name == "orientation" and cell.casefold() in _ORIENTATIONS:
        if cell.casefold() in ("up", "down"):
            work.guess("orientation: up read as +1, down as -1")
        return _ORIENTATIONS[cell.casefold()]
    match = _CELL.fullmatch(cell) if len(cell) <= _LONGEST_NUMBER else None
    if match is None:
        return cell  # the strict reader names it
    number, unit = match[1], match[2]
    number = number.replace(".", "").replace(",", ".") if comma else number.replace(",", "")
    try:
        value = float(number)
    except ValueError:
        return cell
    if name not in _STRICT:
        return f"{value:+.0f}" if name == "orientation" and value in (1, -1) else f"{value:.12g}"
    units = _STRICT[name][1]
    if unit:
        if unit not in units:
            work.refuse(place, f"unit {unit!r}", f"one of {', '.join(units)}")
            return cell
        work.guess("units behind the numbers are followed cell by cell")
        factor = units[unit]
    return f"{value * factor:.12g}"


def _time(cell: str, place: str, work: _Import) -> str:
    """A time as ISO 8601."""
    try:
        return datetime.fromisoformat(cell).isoformat()
    except ValueError:
        pass
    if re.fullmatch(r"[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?", cell):
        work.guess("times without a date are of one day")
        return f"2000-01-01T{cell.zfill(5) if cell.count(':') == 1 else cell.zfill(8)}"
    match = _DAY_FIRST.fullmatch(cell)
    if match is None:
        return cell
    day, mark, month, year, clock = int(match[1]), match[2], int(match[3]), match[4], match[5] or "00:00"
    if mark == "/":
        if day <= 12 and month <= 12 and day != month:
            other = f"{year}-{day:02d}-{month:02d}"
            work.refuse(
                place, f"{cell!r} may be {year}-{month:02d}-{day:02d} or {other}", "a date such as 2026-03-14"
            )
            return cell
        if month > 12:
            day, month = month, day
            work.guess("dates are written month/day/year")
        else:
            work.guess("dates are written day/month/year")
    else:
        work.guess("dates are written day.month.year")
    return f"{year}-{month:02d}-{day:02d}T{clock.zfill(5) if clock.count(':') == 1 else clock.zfill(8)}"
