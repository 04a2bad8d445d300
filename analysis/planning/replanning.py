"""Where the next readings of a run tell most, by those that it has taken.

The loop is learnt as the readings come: of a family of loops each counts by how well it fits them, and what
is not known yet is their mean. So a bend that may be anywhere is met with even steps, and one that was seen
with short ones. On a passage the gap goes one way: only what lies ahead is chosen.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..constants import MU0
from ..forces.force import force
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.quadrature import mean_field, volume
from ..records.arrays import Floats
from ..records.bench import Bench
from .assumed_loop import AssumedLoop
from .gap_ladder import LadderPlan, plan, planned_steps
from .passages import LEGS, TURNS_OVER, ZeroBy, far_heights, visits
from .placing import LIFT_PITCH, PassageLength, by_passage, closing, far_end, reachable
from .settings import (
    COERCIVITIES,
    FAMILY_OFF,
    LEAST_BY_PASSAGE,
    MORE_CLOSING,
    MOST_MORE,
    NEAR_TOP,
    NEARLY_MET,
    SHARES,
    SURPRISE,
    WIDTHS,
)

#: The leg on which the ascending branch begins.
ASCENDING = TURNS_OVER + 1


class Taken(NamedTuple):
    """An accepted reading: its passage, height (m), orientation, and change against the zero (kg)."""

    leg: int
    height: float
    orientation: int
    change: float


def learnt_loop(bench: Bench, taken: Sequence[Taken]) -> AssumedLoop | None:
    """The descending branch as the readings ``taken`` on it leave it, the others turned about the origin;
    None before there are any."""
    at = [t for t in taken if 0 < t.leg < len(LEGS)]
    if not at:
        return None
    applied, M = _on_descending(bench, at)
    H = applied - demagnetising_factor(bench.sample).axial * M
    order = np.argsort(H)
    return _posterior_mean(H[order], M[order])


def _on_descending(bench: Bench, at: Sequence[Taken]) -> tuple[Floats, Floats]:
    """Applied field and M (n,), A/m, of readings, those of the ascending branch turned about the origin."""
    height, side = np.array([t.height for t in at]), np.array([t.orientation for t in at], float)
    Bz, slope = mean_field(bench.reference_magnet, bench.sample, bench.gap.at_height(height))
    M = -side * force(np.array([t.change for t in at]), bench) / (volume(bench.sample) * slope)
    along_field = np.sign(Bz[int(np.argmin(height))])
    branch = np.where(np.array([LEGS[t.leg][2] for t in at]) == "descending", along_field, -along_field)
    return branch * side * Bz / MU0, branch * M


def nearly_met(bench: Bench, taken: Sequence[Taken]) -> bool:
    """Whether the ascending branch begins so near the descending one's end that a few readings decide."""
    back = [t for t in taken if t.leg == TURNS_OVER]
    out = [t for t in taken if t.leg == ASCENDING]
    if not (back and out):
        return False
    last, tip = out[-1], min(back, key=lambda t: t.height)
    gaps = bench.gap.at_height(np.array([last.height, tip.height]))
    here, strongest = np.abs(mean_field(bench.reference_magnet, bench.sample, gaps)[0])
    twins = [t.change for t in back if abs(t.height - last.height) < LIFT_PITCH and t.change]
    if not twins or here < NEAR_TOP * strongest:
        return False
    return NEARLY_MET[0] < abs(last.change / twins[-1] - 1.0) < NEARLY_MET[1]


def _surprising(bench: Bench, taken: Sequence[Taken]) -> bool:
    """Whether the last reading is far from what those before it let expect."""
    loop = learnt_loop(bench, taken[:-1])
    if loop is None or not 0 < taken[-1].leg < len(LEGS):
        return False
    applied, M = _on_descending(bench, taken[-1:])
    expected = loop.at(applied, demagnetising_factor(bench.sample).axial, "descending")
    return bool(abs(M[0] - expected[0]) > SURPRISE * loop.saturation)


def _posterior_mean(H: Floats, M: Floats) -> AssumedLoop:
    """The mean of M = Ms tanh((H + Hc)/w) + chi H over Hc and w, each with its best Ms and chi not below
    zero; bent towards readings that are farther off than the family may be."""
    top = float(np.abs(M).max())
    coercivity, width = (np.geomspace(*span) for span in (COERCIVITIES, WIDTHS))
    Hc, w = (grid.ravel() for grid in np.meshgrid(coercivity, width, indexing="ij"))
    w = w * Hc
    shape = np.tanh((H[None, :] + Hc[:, None]) / w[:, None])
    # Of two unknowns the normal equations: magnetisation of the family, and the reversible part.
    x = H / max(float(np.abs(H).max()), 1e-300)
    a, b, c = (shape**2).sum(axis=1), shape @ x, float(x @ x) + 10.0  # chi is likely small
    p, q = shape @ M, float(x @ M)
    chi = np.maximum((a * q - b * p) / (a * c - b**2), 0.0)
    Ms = np.maximum((p - chi * b) / a, 0.5 * top)
    off = M[None, :] - Ms[:, None] * shape - chi[:, None] * x[None, :]
    deviance = (off**2).sum(axis=1) / (FAMILY_OFF * top) ** 2
    share = np.exp(-0.5 * (deviance - deviance.min()))
    share /= share.sum()
    reach = 1.5 * max(float(np.abs(H).max()), coercivity[-1])
    grid = np.linspace(-reach, reach, 601)
    mean = share @ (Ms[:, None] * np.tanh((grid[None, :] + Hc[:, None]) / w[:, None]))
    mean += float(share @ chi) * grid / max(float(np.abs(H).max()), 1e-300)
    left = M - np.interp(H, grid, mean)
    left = np.sign(left) * np.maximum(np.abs(left) - FAMILY_OFF * top, 0.0)
    return AssumedLoop(grid, np.maximum.accumulate(mean + np.interp(grid, H, left, 0.0, 0.0)), top)


def replanned(
    bench: Bench, points: int, taken: Sequence[Taken], leg: int, height: float, zeros: ZeroBy
) -> LadderPlan | None:
    """The reading at ``height`` (m) of passage ``leg``, which is under way, and those that follow it, as a
    plan of ``points`` (``plan``, sparse) on a loop learnt from those ``taken``. None where they tell nothing
    yet, and on the passages of the ascending branch, which go by the descending one's, unless the branches
    all but meet: then it is read at more of the gaps where that is decided."""
    loop = learnt_loop(bench, taken)
    if loop is None or leg > ASCENDING or (leg == ASCENDING and not nearly_met(bench, taken)):
        return None
    first = plan(bench, points, zeros=zeros, sparse=True)
    heights, _ = reachable(bench, [])

    def read(number: int) -> list[int]:
        return [int(np.abs(heights - t.height).argmin()) for t in taken if t.leg == number]

    turner = bench.gap.turner is not None
    far = far_heights(heights, turner=turner) if zeros == "far" else []
    outermost = far[-1] if far else far_end(bench, heights)
    here = int(np.abs(heights - height).argmin())
    if here > outermost:
        return None  # out of the plan: somebody went there
    counts = [max(n, round(share * points)) for share, n in zip(SHARES, LEAST_BY_PASSAGE, strict=True)]
    ladders = by_passage(bench, heights, points, first.assumed, outermost=outermost)
    for number in range(leg, ASCENDING):
        ahead = (0, outermost) if number > leg else (here, outermost) if number == 1 else (0, here)
        side = 1.0 if number == 1 else -1.0
        learnt, usual = (
            PassageLength.of(bench, heights[: outermost + 1], side, of) for of in (loop, first.assumed)
        )
        # As far apart as on the passage that was planned, and closer where the sample has more bends.
        more = min(max(learnt.whole / usual.whole, 1.0), MOST_MORE)
        start, stop = learnt.between(ahead)
        steps = max(1, round((counts[number] - 1) * more * (stop - start) / learnt.whole))
        laid = learnt.laid(ahead, steps + 1)
        news = number == leg == taken[-1].leg and _surprising(bench, taken)
        if news and not _surprising(bench, taken[:-1]):  # where the family is off throughout, all surprises
            laid = learnt.halved(laid, nearest=here)
        ladders[number] = np.union1d([0, *read(number)], laid)
    for number in range(1, leg):
        ladders[number] = np.unique([0, *read(number)])
    ladders[ASCENDING] = closing(ladders[1], ladders[2], counts)
    if leg == ASCENDING:
        more = ladders[2][: MORE_CLOSING + 1]
        ladders[leg] = np.unique([0, *read(leg), here, *ladders[leg], *more[more > here]])
    order = list(visits([numbers.tolist() for numbers in ladders], far, turner=turner, closing=False))
    at = [i for i, visit in enumerate(order) if (visit.leg, visit.height) == (leg, here)]
    if not at:
        return None
    return planned_steps(bench, first, heights, tuple(order[at[-1] :]), sparse=True)
