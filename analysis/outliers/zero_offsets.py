"""Wrong zeros: a re-zero that was forgotten, or a zero that moved."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import Finding, about_rows
from ..forces.branches import Arrangement
from .physical_limits import Limits, jumps, total_violation, whole_roughness
from .settings import MOST_STEPS, ZERO_MOVED
from .table import Table
from .wording import describe_as_spacers


def zeros_that_moved(table: Table) -> Table:
    """A zero that is not where it was: a re-zero was forgotten, or something was touched."""
    readings, arranged = table.readings, table.arranged
    zeros, points = arranged.zeros, arranged.points
    moved = np.isfinite(zeros.jump) & points.used
    if not moved.any() or table.follows_zero:
        return table
    u = np.sqrt(2.0) * zeros.u_reading
    # A balance that drifts moves every zero: what all brackets do alike is drift and is interpolated.
    drift = np.abs(zeros.jump - np.median(zeros.jump[moved]))
    usual = 3.0 * float(np.median(np.abs(zeros.jump[moved])))
    suspect = moved & (drift > ZERO_MOVED * u + usual)
    spans: dict[tuple[float, float], list[int]] = {}
    for i in np.flatnonzero(suspect):
        spans.setdefault((readings.zero_before[i], readings.zero_after[i]), []).append(int(i))
    aside: dict[int, str] = {}
    warnings: list[Finding] = []
    for indices in spans.values():
        step = float(zeros.jump[indices[0]])
        looks = describe_as_spacers(step, arranged)
        text = f"the zero moved by {step * 1e3:+.4g} g around the reading{looks}; set aside"
        warnings.append(about_rows("zero-jump", points.row[indices], text))
        aside |= dict.fromkeys(indices, f"the zero moved by {step * 1e3:+.4g} g around it")
    return table.set_aside(aside, warnings)


def zero_steps(table: Table) -> Table:
    """A constant that all readings from one row on are off by.

    Across a turn-over M hardly changes, while what a wrong zero makes of it changes sign: the jump there
    gives the constant, and the row from which taking it away makes the loop whole is where it began.
    """
    for _ in range(0 if table.follows_zero else MOST_STEPS):
        arranged = table.arranged
        found = _one_zero_step(arranged, table.limits)
        if found is None:
            break
        rows, step = found
        looks = describe_as_spacers(step, arranged)
        text = f"all off by {step * 1e3:+.4g} g{looks}; a re-zero was forgotten or the zero moved; set aside"
        warning = about_rows("zero-jump", arranged.points.row[rows], text)
        reason = f"off by {step * 1e3:+.4g} g{looks}, as the rows beside it"
        table = table.set_aside(dict.fromkeys(rows, reason), [warning])
    return table


def _one_zero_step(arranged: Arrangement, limits: Limits) -> tuple[list[int], float] | None:
    M, slope = arranged.M, arranged.M_slope
    used = np.flatnonzero(arranged.points.used)
    starts = [rows for p in arranged.passages if len(rows := p.rows[arranged.points.used[p.rows]])]
    ends = [int(rows[0]) for rows in starts] + [int(used[-1]) + 1 if len(used) else 0]
    broken = total_violation(arranged, M, limits)
    for before, after in pairwise(starts):
        last, first = int(before[-1]), int(after[0])
        if arranged.points.orientation[last] == arranged.points.orientation[first]:
            continue
        if not jumps(arranged, limits, last, first) or _mirrors(arranged, limits, before, after):
            continue
        step = float((M[last] - M[first]) / (slope[last] - slope[first]))
        best: tuple[float, list[int]] | None = None
        for start in used[used <= last]:
            for stop in ends:
                if stop <= first:
                    continue
                rows = used[(used >= start) & (used < stop)]
                mended = M.copy()
                mended[rows] -= slope[rows] * step
                cost = total_violation(arranged, mended, limits)
                if cost < 0.1 * broken:
                    cost += whole_roughness(arranged, mended, limits)
                    if best is None or cost < best[0]:
                        best = (cost, [int(i) for i in rows])
        if best is not None:
            return best[1], step
    return None


def _mirrors(arranged: Arrangement, limits: Limits, out: NDArray[np.int64], into: NDArray[np.int64]) -> bool:
    """Whether a passage in is the passage out over again with its sign changed: not turned over, rather
    than a wrong zero, which at the far end makes more of M than the sample can have."""
    strength, M = np.abs(arranged.H), arranged.M
    near = into[:4]
    order = np.argsort(strength[out])
    back = np.interp(strength[near], strength[out][order], M[out][order])
    alike = np.abs(M[near] + back) < 0.25 * np.abs(M[near] - back)
    return bool(np.median(alike) > 0.5 and abs(M[out[-1]]) < 1.5 * limits.scale)
