"""What the readings of a programme's plan would be of the sample that it assumes: one with a memory.

Each part of the sample is a density of hysterons that is a product of the assumed branch's slopes, virgin at
the start, and is led through the fields of the plan in their order. The sample does not decay.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..forces.force import reading_change
from ..inversion.preisach import Density
from ..inversion.preisach_cells import grid
from ..magnetostatics.applied_field import node_field
from ..planning.assumed_loop import AssumedLoop
from ..planning.gap_ladder import LadderPlan
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.readings import Readings
from .history_fit import history_points
from .past import taken_off_between
from .settings import AGREED, MOST_ROUNDS


def with_memory(ladder: LadderPlan, bench: Bench) -> LadderPlan:
    """The plan with the readings of a sample that remembers the plan's earlier steps, and that it was taken
    off between them where spacers are changed."""
    points = history_points(plan_readings(ladder, np.zeros(len(ladder.steps))), bench)
    weighed = taken_off_between(points)
    field = node_field(weighed, bench)
    M = _magnetised(ladder.assumed, field.H, field.N)
    field, M = field.rows(np.flatnonzero(weighed.row)), M[weighed.row > 0]
    readings = reading_change((field.pull * M).sum(axis=1), bench)
    steps = (
        replace(step, predicted_reading=float(reading))
        for step, reading in zip(ladder.steps, readings, strict=True)
    )
    return replace(ladder, steps=tuple(steps))


def plan_readings(ladder: LadderPlan, reading: Floats, gives: str = "recoil") -> Readings:
    """The notebook of such readings (n,), kg; a zero is known where it is read with the sample off."""
    n, steps = len(ladder.steps), ladder.steps
    nan, far = np.full(n, np.nan), ladder.zeros == "far"
    wait = np.array([step.wait for step in steps])
    each = ladder.seconds / n if not wait.any() else 30.0
    time = np.cumsum(np.where(wait > 0.0, np.diff(wait, prepend=0.0), each).clip(min=1.0))
    return Readings(
        row=np.arange(1, n + 1),
        gap=np.array([step.gap for step in steps]),
        spacers=np.array([np.nan if s.spacers is None else s.spacers for s in steps], float),
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
    density.turned(H, np.zeros_like(H))
    edges = np.linspace(-1.0, 1.0, grid().cells + 1) * density.medium.largest
    up = np.diff(0.5 * (1.0 - np.interp(-edges, loop.H, loop.M) / np.abs(loop.M).max()))
    cells = np.outer(up, up[::-1]).ravel()[grid().one] * np.abs(loop.M).max()
    c = np.zeros(len(density.scale))
    c[: len(cells)] = cells / density.scale[: len(cells)]
    M = np.zeros_like(H)
    felt = H
    for _ in range(MOST_ROUNDS):
        M, slope = density.state(c, felt)
        off = H - N * M - felt
        if np.abs(off).max() < AGREED * np.abs(H).max():
            break
        felt = felt + off / (1.0 + N * slope)
    return M
