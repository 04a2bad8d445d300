"""Rows without a counterpart, against M between the counterparts of their neighbours."""

from __future__ import annotations

import numpy as np

from ..errors import about_rows
from ..forces.settings import SAME_GAP
from .counterparts import opposite_passages
from .settings import SURE, UNPAIRED, UNUSUAL
from .table import Table


def unpaired_rows(table: Table) -> Table:
    """Rows whose gap the other passage does not have, against M between its rows: where nearly all gaps
    are set again, such a gap is likely to be noted wrongly. How well M is
    known between rows, the rows that have counterparts show: each from its counterpart's neighbours alone."""
    from scipy.interpolate import CubicSpline

    arranged, limits = table.arranged, table.limits
    points, M, H = arranged.points, arranged.M, arranged.H
    informative = points.used & limits.sees
    aside: dict[int, str] = {}
    for passage, other in opposite_passages(arranged):
        rows, others = passage.rows[informative[passage.rows]], arranged.with_tip(other)
        others = others[informative[others]]
        if len(rows) < 5 or len(others) < 5:
            continue
        apart = np.abs(points.gap[rows][:, None] - points.gap[others][None, :])
        paired = apart.min(axis=1) < SAME_GAP
        if paired.sum() < 4 or 3 * paired.sum() < 2 * len(rows):
            continue
        lone = np.flatnonzero(~paired)
        # Only what stands beside an unpaired row is asked: where all gaps are set again, nothing is.
        beside = np.abs(np.arange(len(rows))[:, None] - lone) <= 3
        off = np.full(len(rows), np.nan)
        for k in np.flatnonzero(beside.any(axis=1)):
            i, kept = rows[k], others[apart[k] >= SAME_GAP]
            order = kept[np.argsort(-H[kept])]
            if -H[order[0]] < H[i] < -H[order[-1]]:
                off[k] = M[i] + float(CubicSpline(-H[order], M[order])(H[i]))
        for k, near in zip(lone, beside.T & paired & np.isfinite(off), strict=True):
            if not np.isfinite(off[k]):
                continue
            usual = float(np.abs(off[near]).max(initial=0.0))
            u = SURE * float(np.abs(arranged.M_slope[rows[k]]) * arranged.zeros.u_change[rows[k]])
            if near.sum() >= 2 and abs(off[k]) > max(UNUSUAL * usual, UNPAIRED * limits.scale, u):
                part = 100.0 * off[k] / max(abs(M[rows[k]] - off[k]), 1e-9 * limits.scale)
                aside[int(rows[k])] = (
                    f"off by {part:+.0f} % from what the gaps around show with the other orientation: the "
                    "gap or the reading was noted wrongly"
                )
    warnings = [
        about_rows("gap-outlier", points.row[[i]], f"{why}; set aside") for i, why in sorted(aside.items())
    ]
    return table.set_aside(aside, warnings)
