"""Which stretches of rows may be wrong together, and by what force each row is off for a step of one.

All of a run's are some thousands: they are kept as intervals, and laid out in rows some at a time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np

from ..forces import force as weighing
from ..forces.branches import Arrangement
from ..records.arrays import Floats
from ..records.bench import Bench
from .counterparts import Rows
from .settings import PLACES

#: A wrong zero or reading, in kg; a wrong gap, in m; spacer masses that gather, in kg.
KINDS = ("zero", "gap", "zeros")
_ZERO, _GAP, _ZEROS = range(3)


@dataclass(frozen=True, eq=False)
class Stretches:
    """Intervals ``first`` to ``end`` (s,) of ``line``, the rows in the order taken, and their ``kind``.

    ``slope`` (n,) is the force by the gap, N/m, ``newton`` N by kg, ``spacers`` (n,) the count.
    """

    line: Rows
    first: Rows
    end: Rows
    kind: Rows
    newton: float
    slope: Floats
    spacers: Floats

    def __len__(self) -> int:
        return len(self.first)

    def rows(self, which: int) -> Rows:
        """The rows of one."""
        return self.line[self.first[which] : self.end[which]]

    def shapes(self, which: slice | list[int] | Rows) -> Floats:
        """Forces (s, n), N, that the rows of each are off by for a step of 1; 0 elsewhere."""
        first, kind = self.first[which], self.kind[which]
        long = self.end[which] - first
        each = np.repeat(np.arange(len(first)), long)
        at = np.arange(len(each)) - np.repeat(np.cumsum(long) - long - first, long)
        rows, kinds = self.line[at], kind[each]
        value = np.full(len(rows), self.newton)
        value[kinds == _GAP] = self.slope[rows[kinds == _GAP]]
        gathering = kinds == _ZEROS
        begun = self.spacers[self.line[first[each[gathering]] - 1]]
        value[gathering] = self.newton * (self.spacers[rows[gathering]] - begun)
        whole = np.zeros((len(first), len(self.slope)))
        whole[each, rows] = value
        return whole


def stretches(arranged: Arrangement, bench: Bench) -> Stretches:
    """Every stretch that may be looked for, passage by passage."""
    points = arranged.points
    passages = [(p, rows) for p in arranged.passages if len(rows := p.rows[points.used[p.rows]])]
    slope = np.zeros(len(points))
    for _, rows in passages:
        if len(rows) > 1 and np.all(np.diff(points.gap[rows]) != 0):
            slope[rows] = np.gradient(points.force[rows], points.gap[rows])
    # A person who works up to the strongest field and re-zeroes there spoils that row too: the passage stands
    # a second time in the line, with that row.
    tips = [np.setdiff1d(arranged.with_tip(p), p.rows) for p, _ in passages]
    with_tip = [
        np.append(rows, tip) if points.used[tip].any() else rows[:0]
        for (_, rows), tip in zip(passages, tips, strict=True)
    ]
    line = np.concatenate([np.zeros(0, np.int64), *(rows for _, rows in passages), *with_tip])
    found = _intervals(arranged, bench, [rows for _, rows in passages], list(map(len, with_tip)))
    table = np.fromiter(chain.from_iterable(found), np.int64).reshape(-1, 3)
    first, end, kind = table.T
    return Stretches(line, first, end, kind, weighing.force(1.0, bench), slope, points.spacers)


def _intervals(
    arranged: Arrangement, bench: Bench, passages: list[Rows], with_tip: list[int]
) -> Iterator[tuple[int, int, int]]:
    """First, end and kind of each stretch in the line of the passages, then of those with their tips."""
    followed = arranged.zeros.track is not None  # a zero that is followed may jump
    by_hand = bench.gap.turner is None  # a turner's gaps nobody notes, and they differ by its eccentricity
    begins = np.cumsum([0, *map(len, passages), *with_tip]).tolist()
    for k, rows in enumerate(passages):
        count, begin = len(rows), begins[k]
        ends = _ends(count)
        long = [(begin, end) for end in begins[k + 2 : len(passages) + 1]]
        if with_tip[k]:
            long.append((begins[len(passages) + k], begins[len(passages) + k + 1]))
        counts = arranged.points.spacers[rows]
        gather = bool(np.all(np.isfinite(counts)))
        for a in range(count):
            for b in range(a + 1, count + 1):
                if b > a + 1 and not (a in ends and b in ends):
                    continue
                if b == a + 1 or not followed:
                    yield begin + a, begin + b, _ZERO
                if by_hand and b > a + 1 and (b == count) != (a == 0):
                    yield begin + a, begin + b, _GAP
            for start, end in () if followed else long:
                yield start + a, end, _ZERO
            if a and gather and a < count - 1:
                yield begin + a, begin + count, _ZEROS


def _ends(count: int) -> set[int]:
    """Where stretches longer than a row begin and end: anywhere, in a long passage at ``PLACES`` places
    evenly spread, so that what is tried grows no faster than the rows."""
    return set(np.unique(np.linspace(0, count, min(count, PLACES) + 1).round().astype(int)).tolist())
