"""The screening of slips of the hand and of the pen: a list of screens, run in order.

Each screen takes the table of readings, looks for one kind of slip by what a magnet cannot do, and returns
the table with the rows it found set aside, each with its reason; nothing else is touched. A screen imports
no other screen.
"""

from __future__ import annotations

from ..forces.branches import Arrangement, arrange
from ..records.bench import Bench
from ..records.readings import Readings
from .mirrored_rows import mirrored_stretches
from .orientation import attraction, turns
from .remarks import by_the_reader, density, incomplete_branches, order_in_time
from .settings import FEWEST_ROWS
from .single_rows import single_rows
from .table import Screen, Table
from .unpaired_rows import unpaired_rows
from .zero_jumps import zero_jumps
from .zero_offsets import zero_steps, zeros_that_moved

#: What the rows show without knowing how strongly the sample may be magnetised.
BEFORE_LIMITS: tuple[Screen, ...] = (zeros_that_moved, attraction)
#: What breaks the limits of a branch, from the sharpest comparison to the coarsest.
AGAINST_LIMITS: tuple[Screen, ...] = (
    zero_jumps,
    mirrored_stretches,
    unpaired_rows,
    zero_steps,
    turns,
    single_rows,
)
#: What is said about the run and sets no row aside.
REMARKS: tuple[Screen, ...] = (incomplete_branches, density, order_in_time, by_the_reader)


def find_outliers(readings: Readings, bench: Bench) -> Arrangement:
    """Arrange ``readings`` and run every screen; returns the arrangement with suspect rows set aside."""
    table = Table(readings, bench, arrange(readings, bench))
    for screen in BEFORE_LIMITS:
        table = screen(table)
    if table.arranged.points.used.sum() >= FEWEST_ROWS:
        table = table.with_limits()
        for screen in AGAINST_LIMITS:
            table = screen(table)
    for screen in REMARKS:
        table = screen(table)
    return table.arranged
