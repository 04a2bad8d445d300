"""Rows of a run that no history of its sample gives: one by one, or a stretch that is off by one amount.

A zero that moved, a re-zero that was forgotten or a gap that was not reached puts a stretch of rows off
together. Each stretch within a sitting of the sample (between two turn-overs) is tried as one more unknown
of the fit, to first order and with the smoothing and the bounds of the density as they are (a score test).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..forces.force import force
from ..inversion.fit_records import FittedBranch
from ..records.arrays import Floats, Indices
from ..records.bench import Bench
from ..records.points import Points
from .settings import FAR_OFF, MUCH_OF_ALL, RESTLESS


@dataclass(frozen=True, eq=False)
class SlippedRows:
    """``rows`` of the run that are off by ``step``, in kg (``kind`` "zero") or in m ("gap")."""

    rows: Indices
    kind: str
    step: float

    def words(self) -> tuple[str, str]:
        """Code of the warning, and the reason."""
        if len(self.rows) == 1:
            return "fit-outlier", "far off what the rest of the run says"
        if self.kind == "zero":
            text = f"all off by {self.step * 1e3:+.3g} g: a re-zero was forgotten or the zero moved"
            return "zero-jump", text
        text = f"gaps off by {self.step * 1e3:+.2g} mm: the lift stopped short, or spacers were miscounted"
        return "gap-outlier", text


def slipped_rows(part: FittedBranch, points: Points, bench: Bench) -> SlippedRows | None:
    """The stretch that explains most of what the fit leaves, where it explains much; else None."""
    off = np.abs(part.residual) / part.doubt
    if off.max(initial=0.0) < RESTLESS:
        return None
    rows = part.rows[part.counted]
    left = (np.eye(len(rows)) - part.design @ part.c_d_force) / part.doubt[:, None]
    residual = part.residual / part.doubt
    best: tuple[float, SlippedRows] | None = None
    for kind, shape in (("zero", np.full(len(rows), force(1.0, bench))), ("gap", points.force_by_gap(rows))):
        gain, step = _gains(left * shape, residual)
        # With a turner the zero is followed and may jump, and gaps differ by its eccentricity.
        alone = bench.gap.turner is not None
        gain[~_stretches(points, rows, single=kind == "zero", alone=alone)] = 0.0
        a, b = np.unravel_index(int(gain.argmax()), gain.shape)
        if best is None or gain[a, b] > best[0]:
            best = float(gain[a, b]), SlippedRows(rows[a:b], kind, float(step[a, b]))
    assert best is not None
    gain, found = best
    enough = max(FAR_OFF**2, MUCH_OF_ALL * float(residual @ residual))
    return found if gain > enough and 3 * len(found.rows) <= len(rows) else None


def _gains(seen: Floats, residual: Floats) -> tuple[Floats, Floats]:
    """By how much the sum of squares falls, and the step, for each stretch from row a to before row b:
    (n, n + 1). ``seen`` (n, n): what the fit leaves of a step of each row, in standard deviations."""
    n = len(residual)
    along = np.concatenate([[0.0], np.cumsum(residual @ seen)])
    power = np.zeros((n + 1, n + 1))
    power[1:, 1:] = np.cumsum(np.cumsum(seen.T @ seen, axis=0), axis=1)
    whole = np.diag(power)
    a, b = slice(0, n), slice(0, n + 1)
    of = along[None, b] - along[a, None]
    size = whole[None, b] - power[a, b] - power[b, a].T + whole[a, None]
    least = 1e-6 * np.sum(seen**2, axis=0).max(initial=1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(size > least, of / size, 0.0)
    return step * of, step


def _stretches(points: Points, rows: Indices, *, single: bool, alone: bool) -> np.ndarray:
    """Which stretches may be off together (n, n + 1): a ``single`` row, and, unless rows slip ``alone``, all
    from one to the end of a passage of the same sitting."""
    n = len(rows)
    turned = np.concatenate([[0], np.cumsum(np.diff(points.orientation[rows]) != 0)])
    ends = np.append(np.diff(points.leg[rows]) != 0, True)
    a, b = np.arange(n)[:, None], np.arange(n + 1)[None, :]
    last = np.maximum(b - 1, 0)
    together = (b > a + 1) & ends[last] & (turned[last] == turned[a])
    return (together & (not alone)) | ((b == a + 1) & single)
