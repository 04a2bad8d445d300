"""A CSV file of plain numbers under a header: read whole, every fault named by line and column."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import Fault, InputError
from .text import plain_number, read_text


def read_numbers(
    path: str | Path, what: str, needed: tuple[str, ...], optional: tuple[str, ...] = ()
) -> dict[str, NDArray[np.float64]]:
    """The columns ``needed`` and those of ``optional`` that are there, as arrays of shape (n,).

    Every cell of such a column is a finite number; other columns are left alone. Raises InputError
    with every fault found.
    """
    source, faults = str(path), []
    lines = csv.reader(io.StringIO(read_text(path, what), newline=""))
    try:
        rows = [(lines.line_num, [cell.strip() for cell in row]) for row in lines]
    except csv.Error as error:
        place = f"line {lines.line_num}"
        raise InputError(source, [Fault(place, f"not CSV ({error})", "comma-separated values")]) from None
    rows = [(number, row) for number, row in rows if any(row) and not row[0].startswith("#")]
    header = rows[0][1] if rows else []
    missing = [name for name in needed if name not in header]
    if missing:
        listed = ",".join(header) or "nothing"
        wanted = f"a header with {', '.join(needed)}"
        raise InputError(source, [Fault("header", f"column {missing[0]!r} is missing in {listed}", wanted)])
    columns: dict[str, list[float]] = {name: [] for name in (*needed, *optional) if name in header}
    for number, row in rows[1:]:
        for name, cells in columns.items():
            place = header.index(name)
            text = row[place] if place < len(row) else ""
            value = plain_number(text)
            if not math.isfinite(value):
                faults.append(Fault(f"line {number}, column {name}", repr(text), "a number such as 12.5"))
            cells.append(value)
    if len(rows) < 2:
        faults.append(Fault("rows", "none below the header", "at least one row"))
    if faults:
        raise InputError(source, faults)
    return {name: np.array(cells) for name, cells in columns.items()}
