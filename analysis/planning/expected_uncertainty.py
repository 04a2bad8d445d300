"""What a planned run will tell: each figure's uncertainty before anything is weighed.

The ladder's readings are worked out for the assumed loop, part by part of the sample, and analysed as if
they had been weighed: so the readings' noise, the bench file's uncertainties and what lies between the gaps
count as they will.
"""

from __future__ import annotations

import numpy as np

from ..forces.branches import points as points_of
from ..forces.force import reading_change
from ..magnetostatics.applied_field import node_field
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Branch
from ..records.readings import Readings
from ..results import LoopResult, analyse
from .gap_ladder import LadderPlan


def expected(ladder: LadderPlan, bench: Bench, *, trials: int = 1000) -> LoopResult:
    """The analysis of the readings that ``ladder`` would give; its figures' ``u`` is what to expect.

    Each part of the sample feels its own magnetisation, and there is no noise but the uncertainty of it.
    """
    n = len(ladder.steps)
    nan, u = np.full(n, np.nan), np.full(n, ladder.target_u)
    gap = np.array([s.gap for s in ladder.steps])
    orientation = np.array([s.orientation for s in ladder.steps], np.int64)

    def weighed(reading: Floats) -> Readings:
        return Readings(
            np.arange(1, n + 1), gap, nan, orientation, reading, nan, nan, u, nan, nan,
            ("",) * n, (None,) * n, "expected",
        )  # fmt: skip

    field = node_field(points_of(weighed(np.zeros(n)), bench), bench)
    # Over some rings the field points the other way (``ladder``).
    along = np.sign(field.H_mean * orientation)
    M = np.empty_like(field.H)
    branches: set[Branch] = {s.branch for s in ladder.steps}
    for branch in branches:
        rows = np.array([s.branch == branch for s in ladder.steps])
        side = along[rows, None]
        M[rows] = side * ladder.assumed.at(side * field.H[rows], field.N, branch)
    return analyse(weighed(reading_change((field.pull * M).sum(axis=1), bench)), bench, trials=trials)
