"""The table every analysis starts from: readings in the order taken, from a notebook or a run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import Finding
from .arrays import Floats
from .bench import Gap

#: The table's columns where it leaves the program: name, field of Readings, type, unit, what it is.
COLUMNS = (
    ("row", "row", "integer", "", "number of the reading, in the order taken"),
    ("gap_m", "gap", "number", "m", "face to face, reference magnet to sample"),
    ("spacers", "spacers", "number", "1", "spacers between the closest position and here"),
    ("orientation", "orientation", "integer", "1", "+1 or -1: field along the sample's own axis"),
    ("reading_kg", "reading", "number", "kg", "reading of the balance with the sample in place"),
    ("zero_before_kg", "zero_before", "number", "kg", "reading without the sample, before"),
    ("zero_after_kg", "zero_after", "number", "kg", "reading without the sample, after"),
    ("u_reading_kg", "u_reading", "number", "kg", "standard uncertainty of the reading"),
    ("settled_in_s", "settled_in", "number", "s", "time from the load's coming to acceptance"),
    ("temperature_K", "temperature", "number", "K", "temperature near the magnet"),
    ("time_s", "time", "number", "s", "time since the first reading"),
    ("note", "note", "string", "", "what was noted"),
    ("set_aside", "set_aside", "string", "", "why the row must not be used"),
)


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
    remarks: tuple[Finding, ...] = ()
    #: How long each reading took to be accepted, s (n,); None where no filter watched the balance.
    settled_in: Floats | None = None
    #: When the first reading was taken (ISO 8601); empty where nobody noted it.
    started: str = ""
    #: The sample was never to be taken off: a zero that is not given is not known.
    hands_off: bool = False
    #: What they are read off for: "loop", or what another programme gives ("recoil", "decay" ...).
    gives: str = "loop"

    def __len__(self) -> int:
        return len(self.row)

    def moved(self, was: Gap, now: Gap) -> Readings:
        """The same readings with the gaps as ``now`` has them, where they were taken on ``was``.

        Heights and numbers of spacers are what a run records; the gap follows from the bench. Another
        ladder than before leaves the gaps as they are.
        """
        if was.ladder != now.ladder:
            return self
        height = (self.gap - was.at_height(np.zeros(1))) / (was.scale.value if was.ladder == "lift" else 1.0)
        if was.spacer is not None and now.spacer is not None:
            height = np.where(np.isfinite(self.spacers), self.spacers * now.spacer.value, height)
        return replace(self, gap=now.at_height(height))

    def records(self) -> list[dict[str, Any]]:
        """A dictionary a row with the names of ``COLUMNS``: plain types, None where not given."""
        columns = {name: getattr(self, field) for name, field, *_ in COLUMNS}
        return [
            {name: None if column is None else _plain(column[i]) for name, column in columns.items()}
            for i in range(len(self))
        ]


def _plain(value: Any) -> Any:
    """A cell as a plain type; no number is None."""
    value = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(value, float) and not np.isfinite(value) else value


#: The columns of the raw readings where they leave the program, as in ``COLUMNS``.
RAW_COLUMNS = (
    ("time_s", "time", "number", "s", "time since the run's first reading; before it, negative"),
    ("reading_kg", "value", "number", "kg", "what the balance showed; empty where a line had no number"),
    ("mark", "mark", "string", "", "what the balance said of it, such as steady"),
)


@dataclass(frozen=True)
class RawReadings:
    """Every reading a balance sent in a run, in order; arrays of shape (n,): ``time`` (s) since the run's
    first reading (the clock of ``Readings.time``), ``value`` (kg, NaN where a line had no number), ``mark``
    as the balance sent it (``steady`` ...) or None."""

    time: Floats
    value: Floats
    mark: tuple[str | None, ...]

    def __len__(self) -> int:
        return len(self.time)
