"""Turn-overs that were missed, or noted where there was none: no history is that of the notebook then."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ..errors import Finding, about_rows
from ..records.bench import Bench
from ..records.readings import Readings
from .settings import CLEAR, KEPT, LONGEST_SAME


def missed_turns(readings: Readings, bench: Bench) -> tuple[Finding, ...]:
    """A warning for each turn-over after which the pull at the same gap is the one before it.

    At the far end the field is too weak to turn the magnetisation: a sample that was turned over is pushed as
    hard as it was pulled. Silent where no zero was read with the sample off: there a turner's switch tells.
    """
    pull = readings.reading - readings.zero_before
    u = np.where(np.isfinite(readings.u_reading), readings.u_reading, bench.balance.resolution)
    usable = np.isfinite(pull) & np.array([why is None for why in readings.set_aside])
    rows, found = np.flatnonzero(usable), []
    turns = [b for a, b in pairwise(rows) if readings.orientation[a] != readings.orientation[b]]
    for first, end in pairwise([*turns, len(readings)]):
        last = rows[rows < first][-1]
        same = abs(readings.gap[first] - readings.gap[last]) < LONGEST_SAME
        clear = abs(pull[last]) > CLEAR * np.hypot(u[first], u[last])
        if same and clear and KEPT < pull[first] / pull[last] < 1.0 / KEPT:
            text = (
                "the pull has not changed its sign since the sample was to be turned over: a turn-over was "
                "missed, or noted where there was none; what follows has another history than was noted"
            )
            found.append(about_rows("orientation-suspect", readings.row[first:end], text))
    return tuple(found)
