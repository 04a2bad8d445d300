"""Rows and their counterparts: the same gap, the same way of the field, the other orientation.

After the first visit to the strongest field a loop is symmetric: at the same gap, going the same way, a
sample is attracted alike with either orientation. M of a row and M of its counterpart differ by their sign.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..forces.branches import Arrangement
from ..forces.passages import Passage
from ..forces.settings import SAME_GAP
from ..records.arrays import Floats
from .physical_limits import Limits

Rows = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Pairs:
    """Rows and their counterparts, (m,) each, and which two passages a pair is of."""

    row: Rows
    other: Rows
    group: Rows


def opposite_passages(arranged: Arrangement) -> Iterator[tuple[Passage, Passage]]:
    """Every passage of the closed loop, and one that goes the same way with the other orientation."""
    on = [p for p in arranged.passages if p.branch != "first"]
    for k, passage in enumerate(on):
        alike = [
            p
            for p in on[k + 1 :] + on[:k][::-1]
            if p.inward == passage.inward and p.orientation == -passage.orientation
        ]
        if alike:
            yield passage, alike[0]


def mirrored_pairs(arranged: Arrangement, limits: Limits) -> Pairs:
    """Rows of the same gap, going the same way, on the next passage with the other orientation."""
    informative = arranged.points.used & limits.sees
    gap = arranged.points.gap
    on = [p for p in arranged.passages if p.branch != "first"]
    found: list[tuple[int, int, int]] = []
    for k, passage in enumerate(on):
        after = [
            p for p in on[k + 1 :] if p.inward == passage.inward and p.orientation == -passage.orientation
        ]
        for i in passage.rows[informative[passage.rows]] if after else ():
            others = arranged.with_tip(after[0])
            others = others[informative[others]]
            same = others[np.abs(gap[others] - gap[i]) < SAME_GAP]
            found += [(int(i), int(j), k) for j in same[:1]]
    table = np.array(found, np.int64).reshape(-1, 3)
    return Pairs(table[:, 0], table[:, 1], table[:, 2])


def mirrored_M(arranged: Arrangement, limits: Limits) -> Floats:
    """M of each row's counterpart with its sign changed, (n,), A/m: what the row should show; NaN where
    it has none."""
    pairs = mirrored_pairs(arranged, limits)
    again = np.full(len(arranged.M), np.nan)
    again[pairs.other] = -arranged.M[pairs.row]
    again[pairs.row] = -arranged.M[pairs.other]
    return again
