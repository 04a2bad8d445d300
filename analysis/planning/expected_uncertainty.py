"""What a planned run will tell: each figure's uncertainty before anything is weighed.

The ladder's readings are worked out for the assumed loop, part by part of the sample, and analysed as if
they had been weighed: so the readings' noise, the bench file's uncertainties and what lies between the gaps
count as they will. A part that the bench does not saturate turns back on a minor loop of its own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..forces.branches import points as points_of
from ..forces.force import reading_change
from ..magnetostatics.applied_field import node_field
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Branch
from ..records.readings import Readings
from ..results import LoopResult, analyse
from .assumed_loop import AssumedLoop
from .gap_ladder import LadderPlan


def expected(ladder: LadderPlan, bench: Bench, *, trials: int = 1000) -> LoopResult:
    """The analysis of the readings that ``ladder`` would give; its figures' ``u`` is what to expect.

    Each part of the sample is demagnetised by its own magnetisation; the readings have an
    uncertainty and no noise.
    """
    n = len(ladder.steps)
    nan, u = np.full(n, np.nan), np.array([s.target_u for s in ladder.steps])
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
    side = np.repeat(along[:, None], field.H.shape[1], axis=1)
    M = side * _magnetised(ladder.assumed, side * field.H, field.N, [s.branch for s in ladder.steps])
    return analyse(weighed(reading_change((field.pull * M).sum(axis=1), bench)), bench, trials=trials)


def _magnetised(loop: AssumedLoop, H: Floats, N: float, branches: list[Branch]) -> Floats:
    """M (n, q) of the parts of a sample, each in its own applied field ``H`` (n, q) less N of its own M.

    Between two turning points u > v of the local field M changes by twice the Everett function,
    here top phi(u) phi(-v): the loop's branches give phi, and what turns over at any u and v is not negative
    (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518, from memory).
    """
    top = float(np.abs(loop.M).max())

    def turned(high: Floats, low: Floats) -> Floats:
        phi = [0.5 * (1.0 - np.interp(u, loop.H, loop.M) / top) for u in (-high, low)]
        return top * phi[0] * phi[1]

    def solved(applied: Floats, state: Callable[[Floats], Floats]) -> Floats:
        """M that agrees with its local field: ``state`` rises, so there is one."""
        low, high = np.full(applied.shape, -top), np.full(applied.shape, top)
        for _ in range(50):
            middle = 0.5 * (low + high)
            above = state(applied - N * middle) > middle
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return 0.5 * (low + high)

    def first(u: Floats) -> Floats:
        return turned(u, -u)

    strongest = H.max(axis=0)
    M_tip = solved(strongest, first)
    tip = strongest - N * M_tip

    def descending(u: Floats) -> Floats:
        return M_tip - 2.0 * turned(tip, np.minimum(u, tip))

    weakest = H.min(axis=0)
    M_back = solved(weakest, descending)
    back = weakest - N * M_back
    way: dict[Branch, Callable[[Floats], Floats]] = {
        "first": first,
        "descending": descending,
        "ascending": lambda u: M_back + 2.0 * turned(np.maximum(u, back), back),
    }
    M = np.zeros_like(H)
    for branch, state in way.items():
        rows = np.array([name == branch for name in branches])
        M[rows] = solved(H[rows], state)
    return M
