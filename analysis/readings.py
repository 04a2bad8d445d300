"""The table every analysis starts from: readings in the order taken, from a notebook or a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Readings:
    """Readings of one run in the order taken; arrays of shape (n,), SI, NaN where not given.

    ``gap`` (m) is face to face. ``spacers`` is the count where the gap was set with spacers,
    else NaN. ``orientation`` is +1 or -1: which way the field points along the sample's axis.
    ``reading`` (kg) is the balance's reading with the sample in place; ``zero_before`` and
    ``zero_after`` (kg) readings without the sample around it; ``u_reading`` (kg) the standard
    uncertainty of the reading. ``temperature`` in K. ``time`` in s since the first row.
    ``set_aside`` holds, row by row, why a row must not be used (a person or the procedure
    said so), else None.
    """

    row: NDArray[np.int64]
    gap: Floats
    spacers: Floats
    orientation: NDArray[np.int64]
    reading: Floats
    zero_before: Floats
    zero_after: Floats
    u_reading: Floats
    temperature: Floats
    time: Floats
    note: tuple[str, ...]
    set_aside: tuple[str | None, ...]
    source: str = ""
    #: What the reader of the table has to say about it, such as a column it did not read.
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.row)
