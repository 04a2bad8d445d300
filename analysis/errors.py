"""What goes wrong with input, said so that a person can put it right."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True)
class Fault:
    """One fault in an input: the place, what was found there, what would be right."""

    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        says = self.expected if self.expected.startswith(_SAYS) else f"expected {self.expected}"
        return f"{self.place}: {_clipped(self.found)}; {says}"


#: A cell may be as long as a file; this much of it is shown.
_SHOWN = 300


def _clipped(text: str) -> str:
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]} ... ({len(text)} characters)"


#: What is right begins with one of these where it is an advice, not a description.
_SAYS = ("write ", "did you mean ")


def nearest(given: str, known: Iterable[str], most: int = 12) -> str:
    """What was probably meant by ``given``: ``did you mean 'mean'?``, else the list of what is known."""
    names = list(known)
    folded = {name.casefold(): name for name in names}
    near = get_close_matches(given.casefold(), folded, 1, cutoff=0.65)
    if near:
        return f"did you mean {folded[near[0]]!r}?"
    return "one of " + ", ".join(names[:most]) + (" ..." if len(names) > most else "")


class WeighloopError(Exception):
    """The root of every error whose message was written for a person.

    ``place`` names where (a file and key, a row, a port), ``found`` what is there, ``right`` what would
    be right; each empty where the message says it all.
    """

    place: str = ""
    found: str = ""
    right: str = ""


#: The optional library: the part of the installation (an extra) that brings it.
EXTRAS = {
    "dask": "lab",
    "distributed": "lab",
    "h5netcdf": "desk",
    "h5py": "desk",
    "jinja2": "report",
    "matplotlib": "report",
    "paho": "lab",
    "pandas": "desk",
    "psycopg": "lab",
    "pyarrow": "desk",
    "weasyprint": "report",
    "xarray": "desk",
}


def missing_extra(error: ModuleNotFoundError) -> str | None:
    """What to install where an optional library is missing, as a sentence; None where it is none of those."""
    library = (error.name or "").partition(".")[0]
    if library not in EXTRAS:
        return None
    return f"{library} is not installed, which this needs: pip install 'weighloop[{EXTRAS[library]}]'"


class InputError(WeighloopError, ValueError):
    """An input that cannot be used; carries every fault found, not only the first."""

    def __init__(self, source: str, faults: list[Fault]) -> None:
        self.source = source
        self.faults = tuple(faults)
        if faults:
            first = faults[0]
            self.place, self.found, self.right = f"{source}: {first.place}", first.found, first.expected
        super().__init__("\n".join(f"{source}: {line}" for line in in_lines(faults)))


_ROW = re.compile(r"(row|line) (\d+)(?: \(line \d+\))?(.*)")
#: Rows with the same fault are said one by one up to this many.
_FEW = 3


def in_lines(faults: Iterable[Fault]) -> list[str]:
    """The faults as lines; one line where many rows share a fault: ``rows 1-108, column reading_g: ...``."""
    groups: dict[tuple[str, ...], list[Fault]] = {}
    for fault in faults:
        row = _ROW.fullmatch(fault.place)
        key = (
            ("", fault.place, fault.found, fault.expected)
            if row is None
            else (row[1], row[3], fault.expected)
        )
        groups.setdefault(key, []).append(fault)
    lines = []
    for key, group in groups.items():
        if len(group) <= _FEW or not key[0]:
            lines += [str(fault) for fault in group]
            continue
        numbers = tuple(dict.fromkeys(int(match[2]) for f in group if (match := _ROW.fullmatch(f.place))))
        place = rows_in_words(numbers).replace("row", key[0], 1) + key[1]
        alike = all(fault.found == group[0].found for fault in group)
        found = group[0].found if alike else f"{group[0].found}, and {len(group) - 1} more"
        lines.append(str(Fault(place, found, group[0].expected)))
    return lines


class NotPossible(WeighloopError):
    """The job cannot be done with what there is; the message says why and what would help."""


@dataclass(frozen=True)
class Finding:
    """Something a person should look at: a code for programs, a sentence, the rows it is about."""

    code: str
    text: str
    rows: tuple[int, ...] = ()


def about_rows(code: str, rows: Iterable[int], text: str) -> Finding:
    """A warning whose sentence starts with the rows it is about."""
    numbers = tuple(int(row) for row in rows)
    return Finding(code, f"{rows_in_words(numbers)}: {text}", numbers)


def rows_in_words(rows: tuple[int, ...]) -> str:
    """Rows in words: ``row 7``, ``rows 7-9, 14``."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    parts: list[str] = []
    start = last = rows[0]
    for row in (*rows[1:], None):
        if row is not None and row == last + 1:
            last = row
            continue
        parts.append(str(start) if start == last else f"{start}-{last}")
        if row is not None:
            start = last = row
    return "rows " + ", ".join(parts)
