"""Rows that the fitted loop leaves far off, one at a time."""

from __future__ import annotations

import numpy as np

from ..errors import about_rows
from ..forces.branches import Arrangement
from .loop import LoopEstimate
from .settings import ALONE, LEAST_SLIP, OUTLYING, TIP


def off_the_fit(estimate: LoopEstimate) -> int | None:
    """The row the whole inversion says is off: its residual stands out alone. None when there is none."""
    points = estimate.points
    on = points.used & np.array([branch != "first" for branch in points.branch])
    # 3e-4 of the force: what a gap set to a few micrometres does to it.
    own = np.hypot(points.u_force, 3e-4 * np.abs(points.force))
    off = np.where(on, np.abs(np.nan_to_num(estimate.residual)) / own, 0.0)
    # Where a branch starts the whole sample turns back at once, and a method that cannot follow shows it
    # in the first rows; what is off there by less than a slip's size is not called one.
    strongest = np.abs(estimate.H_applied) > TIP * np.abs(estimate.H_applied[points.used]).max(initial=0.0)
    off[strongest & (np.abs(np.nan_to_num(estimate.residual)) < LEAST_SLIP * np.abs(points.force))] = 0.0
    usual = 1.4826 * float(np.median(off[on])) if on.any() else 0.0
    worst = int(np.argmax(off))
    beside = np.abs(np.arange(len(off)) - worst) <= 3
    others = float(off[on & ~beside].max()) if (on & ~beside).any() else 0.0
    if off[worst] > OUTLYING * max(usual, 1.0) and off[worst] > ALONE * others:
        return worst
    return None


def set_aside_by_fit(arranged: Arrangement, estimate: LoopEstimate, i: int) -> Arrangement:
    """The arrangement with the row found by ``off_the_fit`` set aside."""
    step = float(estimate.residual[i] / np.abs(arranged.points.force[i])) if arranged.points.force[i] else 0.0
    reason = f"{100 * step:+.1f} % off the loop through the other rows: gap or reading noted wrongly"
    warning = about_rows("gap-outlier", arranged.points.row[[i]], f"{reason}; set aside")
    return arranged.set_aside({i: reason}, [warning])
