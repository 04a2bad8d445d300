"""Rows that are not of their branch: a gap, a reading or an orientation noted wrongly."""

from __future__ import annotations

import numpy as np

from ..errors import Finding, about_rows
from ..forces.branches import Arrangement
from .counterparts import mirrored_M
from .physical_limits import Limits, direction, roughness, violation
from .settings import LONGEST, SHORT
from .table import Table
from .wording import describe_as_spacers


def single_rows(table: Table) -> Table:
    """Set aside rows that leave the band of what their neighbours allow."""
    arranged, limits = table.arranged, table.limits
    aside: dict[int, tuple[str, str]] = {}
    stretches: list[tuple[list[int], float]] = []
    again = mirrored_M(arranged, limits)
    for chain in limits.chains(arranged):
        rows = [int(i) for i in chain]
        sign = direction(arranged, rows)
        for stretch, step in _shifted(arranged, rows, sign, limits):
            off = np.abs(step * arranged.M_slope[stretch])
            if len(stretch) <= SHORT and np.all(np.abs(arranged.M[stretch] - again[stretch]) < 0.5 * off):
                continue  # the other orientation shows it too: the method's error and no slip
            if len(stretch) > 1 and not table.follows_zero:
                stretches.append((stretch, step))
            rows = [i for i in rows if i not in stretch]
            if len(stretch) == 1:
                aside[stretch[0]] = _single(arranged, stretch[0], step)
    points = arranged.points
    warnings: list[Finding] = []
    reasons: dict[int, str] = {}
    for stretch, step in stretches:
        looks = describe_as_spacers(step, arranged)
        text = f"all off by {step * 1e3:+.4g} g{looks}; a re-zero was forgotten; set aside"
        warnings.append(about_rows("zero-jump", points.row[stretch], text))
        reasons |= dict.fromkeys(stretch, f"off by {step * 1e3:+.4g} g{looks}, as the rows beside it")
    for i, (code, reason) in sorted(aside.items()):
        if i not in reasons:
            warnings.append(about_rows(code, points.row[[i]], f"{reason}; set aside"))
            reasons[i] = reason
    return table.set_aside(reasons, warnings)


def _shifted(
    arranged: Arrangement, rows: list[int], sign: float, limits: Limits
) -> list[tuple[list[int], float]]:
    """The shortest stretches of a chain without which it obeys the limits, each with the reading (kg) it
    seems to be off by; one at a time, the one that mends most first."""
    found: list[tuple[list[int], float]] = []
    M, H, slack = arranged.M, arranged.H, limits.slack
    rows = list(rows)
    while len(rows) >= 4:
        broken = np.flatnonzero(violation(M[rows], H[rows], sign, limits, slack[rows]))
        if not len(broken):
            break
        total = float(np.abs(violation(M[rows], H[rows], sign, limits, slack[rows])).sum())
        best: tuple[float, list[int]] | None = None
        # The stretch begins and ends at a broken step; it may run to either end of the chain.
        starts = {0, *(int(b) + 1 for b in broken)}
        stops = {len(rows), *(int(b) + 1 for b in broken)}
        single = {int(b) for b in broken} | {int(b) + 1 for b in broken}
        candidates = {(a, b) for a in starts for b in stops if a < b} | {(s, s + 1) for s in single}
        # Where a wrong zero fades into the slack, only one end of the stretch is a broken step.
        candidates |= {(a, min(a + k, len(rows))) for a in starts for k in range(2, LONGEST)}
        candidates |= {(max(b - k, 0), b) for b in stops for k in range(2, LONGEST)}
        for a, b in candidates:
            if b - a > len(rows) // 2:
                continue
            rest = rows[:a] + rows[b:]
            left = float(np.abs(violation(M[rest], H[rest], sign, limits, slack[rest])).sum())
            # Fewest rows and the smoothest rest among those that mend alike; a row costs a part of the scale.
            cost = left + roughness(M[rest], H[rest]) + 0.02 * limits.scale * (b - a)
            if left < total * 0.999 and (best is None or cost < best[0]):
                best = (cost, rows[a:b])
        if best is None:
            best = (0.0, [rows[int(broken[0]) + 1]])
        stretch = best[1]
        found.append((stretch, _offset(arranged, rows, stretch)))
        rows = [i for i in rows if i not in stretch]
    return found


def _offset(arranged: Arrangement, rows: list[int], stretch: list[int]) -> float:
    """The reading (kg) a stretch seems to be off by: against M interpolated from the rows around it."""
    rest = np.array([i for i in rows if i not in stretch])
    order = np.argsort(arranged.H[rest])
    expected = np.interp(arranged.H[stretch], arranged.H[rest][order], arranged.M[rest][order])
    return float(np.median((arranged.M[stretch] - expected) / arranged.M_slope[stretch]))


def _single(arranged: Arrangement, i: int, step: float) -> tuple[str, str]:
    """Code and reason for one row that leaves its branch."""
    M = arranged.M[i]
    expected = M - step * arranged.M_slope[i]
    if abs(M + expected) < 0.3 * abs(M - expected):
        return "orientation-suspect", "the sign of the force says the orientation was noted wrongly"
    looks = describe_as_spacers(step, arranged)
    if looks:
        return "zero-jump", f"off by {step * 1e3:+.4g} g{looks}"
    off = 100.0 * (M - expected) / max(abs(expected), 1e-9 * abs(M))
    return "gap-outlier", (
        f"off by {step * 1e3:+.3g} g ({off:+.0f} %) from what the rows beside it lead to: the gap or the "
        "reading was noted wrongly"
    )
