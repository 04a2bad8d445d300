"""What a run's sample went through before: nothing, fields of this bench, or larger ones elsewhere.

A sample that was run before remembers where its field last turned, each part at a field of its own. Such
turns are rows before the first that nobody read: the fit leads every part through them as through the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..inversion.fit_records import weighing_spread
from ..inversion.preisach import Density
from ..magnetostatics.applied_field import node_field
from ..records.arrays import Bools, Floats, Indices
from ..records.bench import Bench
from ..records.points import Points
from .settings import AWAY, ELSEWHERE, FEW_PLACES, FINER, MOST_ROWS_OF_PAST, PLACES

#: Why there is no reading of a row.
OFF = "taken off"
#: Gap (m) and orientation of a place on the bench.
Place = tuple[float, int]


@dataclass(frozen=True)
class BeforeRun:
    """How much was ``magnetised`` elsewhere, -1 to 1, and then ``turns``: the places at which the sample's
    field turned on this bench, in order."""

    magnetised: float = 0.0
    turns: tuple[Place, ...] = ()


def with_past(points: Points, past: BeforeRun) -> Points:
    """The points with the turns before the first of them, which no force is known of."""
    n = len(past.turns)
    if not n:
        return points
    gap, orientation = (np.array(column) for column in zip(*past.turns, strict=True))
    return _led_through(points, np.zeros(n, np.intp), gap, orientation, np.arange(-n, 0), "before the run")


def taken_off_between(points: Points) -> Points:
    """The points with what the sample goes through where spacers are changed: before each reading but the
    first it is taken off the magnet, so that its field turns at almost none."""
    if not points.taken_off:
        return points
    at = np.arange(1, len(points))
    return _led_through(points, at, np.full(len(at), AWAY), points.orientation[at], points.leg[at - 1], OFF)


def _led_through(
    points: Points, at: Indices, gap: Floats, orientation: Indices, leg: Indices, why: str
) -> Points:
    """The points with rows before those ``at`` (m,), which no force is known of."""

    def put(column: Floats, value: Floats | float) -> Floats:
        return np.insert(column, at, value, axis=0)

    zero = points.zero
    return Points(
        row=np.insert(points.row, at, 0),
        gap=put(points.gap, gap),
        spacers=put(points.spacers, np.nan),
        orientation=np.insert(points.orientation, at, orientation),
        force=put(points.force, 0.0),
        u_force=put(points.u_force, 0.0),
        temperature=put(points.temperature, np.nan),
        leg=np.insert(points.leg, at, leg),
        branch=tuple(np.insert(np.array(points.branch), at, np.array(points.branch)[at]).tolist()),
        used=np.insert(points.used, at, False),
        why_not=tuple(np.insert(np.array(points.why_not, object), at, why).tolist()),
        zero=zero and replace(zero, root=put(zero.root, 0.0)),
    )


def likeliest_past(points: Points, bench: Bench, fitted: Indices) -> BeforeRun:
    """The past that gives the rows ``fitted`` best, if better than a virgin sample, of: turned last at one of
    the bench's gaps, from a virgin sample or from the closest gap the other way; and magnetised elsewhere
    before. Each part is taken to feel its own magnetisation."""
    score = _scores(points, bench, fitted)
    best = score(BeforeRun())
    gaps, found = _some(np.unique(points.gap[fitted]), PLACES), BeforeRun()
    for past in _pasts(gaps):
        if (new := score(past) * (ELSEWHERE if past.magnetised else 1.0)) < best:
            best, found = new, past
    if found.turns and len(gaps) > 1:
        found = _finer(found, score(found), np.log(gaps), score)
    return found


def _some(gaps: Floats, most: int) -> Floats:
    return gaps[np.unique(np.linspace(0, len(gaps) - 1, most).round().astype(int))]


def _pasts(gaps: Floats) -> Iterator[BeforeRun]:
    """Turned here, from a virgin sample or from the closest gap the other way; magnetised elsewhere, and
    turned here then."""
    closest = float(gaps[0])
    for gap in gaps.tolist():
        for orientation in (1, -1):
            yield BeforeRun(0.0, ((gap, orientation),))
            if gap > closest:
                yield BeforeRun(0.0, ((closest, -orientation), (gap, orientation)))
    for sign in (1.0, -1.0):
        yield from (BeforeRun(sign * part) for part in (0.25, 0.5, 0.75, 1.0))
        for gap in _some(gaps, FEW_PLACES).tolist():
            yield from (BeforeRun(sign, ((gap, orientation),)) for orientation in (1, -1))


def _finer(past: BeforeRun, best: float, log_gaps: Floats, score: Callable[[BeforeRun], float]) -> BeforeRun:
    """The last turn's gap between those that were tried: halving the distance around the best."""
    *before, (gap, orientation) = past.turns
    step, low, high = float(np.diff(log_gaps).max()), log_gaps[0], log_gaps[-1]
    for _ in range(FINER):
        step *= 0.5
        for near in (np.log(gap) - step, np.log(gap) + step):
            tried = replace(past, turns=(*before, (float(np.exp(np.clip(near, low, high))), orientation)))
            if (new := score(tried)) < best:
                past, best = tried, new
        gap = past.turns[-1][0]
    return past


def some_rows(points: Points, fitted: Indices, most: int) -> Indices:
    """About ``most`` of the rows ``fitted``, and those at which the field turns."""
    ends = np.flatnonzero(np.diff(points.leg) != 0)
    some = fitted[:: -(-len(fitted) // most)]
    rows = np.concatenate([[0, 1, len(points) - 1], ends, ends + 1, some])
    # A sample that was taken off before a row has turned there.
    off = np.array([why == OFF for why in points.why_not])
    return np.unique(np.concatenate([rows, rows[off[rows - 1]] - 1])).astype(np.intp)


def _scores(points: Points, bench: Bench, fitted: Indices) -> Callable[[BeforeRun], float]:
    """How badly a density gives the rows after a past, of many some: squares left, in standard deviations,
    and roughness."""
    rows = some_rows(points, fitted, MOST_ROWS_OF_PAST)
    known = np.flatnonzero(np.isin(rows, fitted))
    run = node_field(points, bench).rows(rows)
    force = points.force[rows[known]]
    spread = weighing_spread(force, points.u_force[rows[known]])
    likely_free: dict[tuple[float, ...], Bools] = {}

    def score(past: BeforeRun) -> float:
        n, material = len(past.turns), Density(past.magnetised)
        material.begin(run.H, run.pull)
        # Begun from what was free after a past that went the same ways, or else after the one before.
        ways = (past.magnetised, *(orientation for _, orientation in past.turns))
        material.likely_free = likely_free.get(ways, likely_free.get((), material.likely_free))
        H = np.vstack([node_field(with_past(points, past), bench).H[:n], run.H])
        pull = np.vstack([np.zeros((n, H.shape[1])), run.pull])
        material.turned(H, np.zeros_like(H))
        X, y = material.design(H, pull)[n:][known] / spread[:, None], force / spread
        weight = material.smoothing(X, y)
        c, _ = material.fit(X, y, weight)
        likely_free[ways] = likely_free[()] = material.likely_free
        return float(np.sum((y - X @ c) ** 2) + weight * c @ material.penalty @ c)

    return score
