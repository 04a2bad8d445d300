"""What goes wrong with input, said so that a person can put it right."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One fault in an input: the place, what was found there, what would be right."""

    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.place}: {self.found}; expected {self.expected}"


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
    "h5netcdf": "desk",
    "h5py": "desk",
    "jinja2": "report",
    "matplotlib": "report",
    "pandas": "desk",
    "pyarrow": "desk",
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
        super().__init__("\n".join(f"{source}: {fault}" for fault in faults))


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
