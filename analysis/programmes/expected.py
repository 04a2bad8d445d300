"""What a planned programme will tell: each result's uncertainty before anything is weighed.

The readings of the plan are worked out for the loop that it assumes, part by part of the sample, by a density
of hysterons that is a product of its branch's slopes, and analysed as if they had been weighed: with their
uncertainty and no noise. The sample does not decay.
"""

from __future__ import annotations

import numpy as np

from ..forces.force import reading_change
from ..inversion.preisach import Density
from ..inversion.preisach_memory import grid
from ..magnetostatics.applied_field import node_field
from ..planning.assumed_loop import AssumedLoop
from ..planning.gap_ladder import LadderPlan
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.readings import Readings
from .history_fit import history_points
from .results import ProgrammeResult, analyse_programme
from .settings import EXPECTED_DRAWS, ROUNDS


def expected(ladder: LadderPlan, bench: Bench, gives: str) -> ProgrammeResult:
    """The analysis of the readings that ``ladder`` would give of what it assumes; its figures' ``u`` is what
    to expect. Raises NotPossible where they would be too few."""
    n = len(ladder.steps)
    field = node_field(history_points(_readings(ladder, np.zeros(n), gives), bench), bench)
    M = _magnetised(ladder.assumed, field.H, field.N)
    reading = reading_change((field.pull * M).sum(axis=1), bench)
    return analyse_programme(_readings(ladder, reading, gives), bench, draws=EXPECTED_DRAWS, slips=False)


def _readings(ladder: LadderPlan, reading: Floats, gives: str) -> Readings:
    """The notebook of such readings (n,), kg; a zero is known where it is read with the sample off."""
    n, steps = len(ladder.steps), ladder.steps
    nan, far = np.full(n, np.nan), ladder.zeros == "far"
    wait = np.array([step.wait for step in steps])
    each = ladder.seconds / n if not wait.any() else 30.0
    time = np.cumsum(np.where(wait > 0.0, np.diff(wait, prepend=0.0), each).clip(min=1.0))
    return Readings(
        row=np.arange(1, n + 1),
        gap=np.array([step.gap for step in steps]),
        spacers=nan,
        orientation=np.array([step.orientation for step in steps], np.int64),
        reading=reading,
        zero_before=nan if far else np.zeros(n),
        zero_after=nan,
        u_reading=np.array([step.target_u for step in steps]),
        temperature=nan,
        time=time,
        note=("",) * n,
        set_aside=(None,) * n,
        source="expected",
        hands_off=far,
        gives=gives,
    )


def _magnetised(loop: AssumedLoop, H: Floats, N: float) -> Floats:
    """M (n, q) of the parts of a virgin sample, each in its own applied field ``H`` (n, q) less N of its own
    M: Newton's steps, each part's by the slope that it has."""
    density = Density(0.0)
    density.begin(H, H)
    edges = np.linspace(-1.0, 1.0, grid().cells + 1) * density.medium.largest
    up = np.diff(0.5 * (1.0 - np.interp(-edges, loop.H, loop.M) / np.abs(loop.M).max()))
    cells = np.outer(up, up[::-1]).ravel()[grid().one] * np.abs(loop.M).max()
    c = np.zeros(len(density.scale))
    c[: len(cells)] = cells / density.scale[: len(cells)]
    M = np.zeros_like(H)
    felt = H
    for _ in range(ROUNDS):
        M, slope = density.state(c, felt)
        felt = felt + (H - N * M - felt) / (1.0 + N * slope)
    return M
