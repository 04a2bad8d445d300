"""What readings at the far end, the sample on, tell of the balance's zero before anything is fitted.

Far away the sample is hardly pulled, M changes as little as the field there, and the pull changes its sign
when the sample is turned over: a reading is the zero and M times what the place makes of it. Here the fit of
the whole loop begins (``inversion.joint_fit``), in which the same readings count with what the rest of the
loop says of M. Only those before the first passage, which the fit knows nothing of, count for good.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from ..records.arrays import Floats, Indices
from ..records.bench import Bench
from ..records.readings import Readings
from .passages import Passage
from .settings import (
    FAR_FIELD,
    FEWEST_OUTWARD,
    HANDS,
    LEVEL,
    REVERSIBLE,
    TURNED_FIELD,
    U_REVERSIBLE,
    WORTHLESS,
)
from .zero_drift import ZeroReadings, ZeroStep
from .zeros import KnownZeros, repeatability, row_times


def far_zeros(
    readings: Readings, bench: Bench, H: Floats, M_by_kg: Floats, passages: Sequence[Passage]
) -> KnownZeros | None:
    """The zeros that the far readings tell; None of a run whose zero was taken off by re-zeroing.

    ``H`` (n,) is the signed mean field, A/m, ``M_by_kg`` (n,) the magnetisation by change of reading.

    Without a turner readings on the way out count alone, and only of a loop that also ends on the way out:
    one that ends in the strongest field, or without times, was read with the sample off at its turns.
    """
    by_turner, time = bench.gap.turner is not None, row_times(readings)
    outward = len(passages) > 1 and not passages[-1].inward and bool(np.isfinite(readings.time).all())
    if time is None or not passages or not (by_turner or outward or readings.hands_off):
        return None
    own = repeatability(readings, bench.balance)
    u = np.where(np.isfinite(readings.u_reading), readings.u_reading, own)
    found: list[tuple[float, float, float]] = []
    apart: list[bool] = []
    for rows, first in _groups(H, passages, by_turner):
        value, u_value = _zero_of(rows, readings, bench, H, 1.0 / M_by_kg, u)
        if u_value < WORTHLESS:
            found.append((float(time[rows].mean()), value, u_value))
            apart.append(first)
    if not found and not readings.hands_off:
        return None
    at, value, u_value = np.array(found).reshape(-1, 3).T
    alone = np.array(apart, bool)
    turns = [
        ZeroStep(0.5 * float(time[a.rows[-1]] + time[b.rows[0]]), HANDS)
        for a, b in pairwise(passages)
        if a.orientation != b.orientation and not by_turner
    ]
    return KnownZeros(
        ZeroReadings(at, value, u_value),
        ZeroReadings(at[alone], value[alone], u_value[alone]),
        tuple(turns),
    )


def _groups(H: Floats, passages: Sequence[Passage], by_turner: bool) -> Iterator[tuple[Indices, bool]]:
    """Far rows that lie together in time, and whether they are those before the first passage."""
    size = np.abs(H)
    placed = np.concatenate([p.rows for p in passages])
    weakest = float(size[placed].min())
    for i, passage in enumerate(passages):
        following = passages[i + 1] if i + 1 < len(passages) else None
        rows = passage.rows[size[passage.rows] <= FAR_FIELD * weakest]
        turned = following is not None and following.orientation != passage.orientation
        if by_turner and turned and following is not None:
            near = size[following.rows] <= TURNED_FIELD * weakest
            rows = rows[size[rows] <= TURNED_FIELD * weakest] if passage.inward else rows
            if len(rows) and near.any():
                yield np.append(rows, following.rows[near]), following.branch == "first"
        elif not passage.inward and len(rows) >= FEWEST_OUTWARD:
            yield rows, False


def _zero_of(
    rows: Indices, readings: Readings, bench: Bench, H: Floats, by_M: Floats, u: Floats
) -> tuple[float, float]:
    """The zero (kg) of readings together in time, and its standard uncertainty: least squares for the zero,
    M, its change with the field, and the turner's eccentricity; where they do not fit, the larger for it."""
    turner, gap = bench.gap.turner, readings.gap[rows]
    off = 0.0 if turner is None else turner.eccentricity.u
    reading, c, spread = readings.reading[rows], by_M[rows], u[rows]

    def solved(M: float) -> tuple[Floats, float]:
        # Far from the magnet a pull falls with the fourth power of the distance.
        by_shift = -4.0 * M * c * readings.orientation[rows] / gap * off
        columns = np.stack([LEVEL * np.ones(len(rows)), c * _most(c), U_REVERSIBLE * c * H[rows], by_shift])
        weighted = (columns / spread).T
        target = (reading - REVERSIBLE * c * H[rows]) / spread
        inverse = np.linalg.inv(weighted.T @ weighted + np.eye(len(columns)))
        answer = inverse @ weighted.T @ target
        missed = float(np.sqrt(np.mean((target - weighted @ answer) ** 2)))
        return answer, max(1.0, missed) * LEVEL * float(np.sqrt(inverse[0, 0]))

    M = float(solved(0.0)[0][1]) * _most(c)
    answer, u_zero = solved(M)
    return LEVEL * float(answer[0]), u_zero


def _most(c: Floats) -> float:
    """A magnetisation (A/m) beyond any that these readings can be of."""
    return LEVEL * 1e3 / float(np.abs(c).max())
