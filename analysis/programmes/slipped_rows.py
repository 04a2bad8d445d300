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
from .settings import AT_ONCE, FAR_OFF, MUCH_OF_ALL, RESTLESS


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
    residual = part.residual / part.doubt
    best: tuple[float, SlippedRows] | None = None
    for kind, shape in (("zero", np.full(len(rows), force(1.0, bench))), ("gap", points.force_by_gap(rows))):
        # With a turner the zero is followed and may jump, and gaps differ by its eccentricity.
        alone = bench.gap.turner is not None
        a, b = _stretches(points, rows, single=kind == "zero", alone=alone)
        if not len(a):
            continue
        gain, step = _gains(part, shape, a, b)
        i = int(gain.argmax())
        if best is None or gain[i] > best[0]:
            best = float(gain[i]), SlippedRows(rows[a[i] : b[i]], kind, float(step[i]))
    if best is None:
        return None
    gain, found = best
    enough = max(FAR_OFF**2, MUCH_OF_ALL * float(residual @ residual))
    return found if gain > enough and 3 * len(found.rows) <= len(rows) else None


def _gains(part: FittedBranch, shape: Floats, a: Indices, b: Indices) -> tuple[Floats, Floats]:
    """By how much the sum of squares falls, and the step, for each stretch from row a to before row b: (s,).
    ``shape`` (m,): the force of a step of each row, of which the fit leaves 1 - design @ answer.

    All of a stretch are differences of sums over the rows before: of the coefficients by a step (K,), and
    of the forces that these make.
    """
    D, answer = part.design[:, part.free] / part.doubt[:, None], part.c_d_force[part.free]
    own, residual = shape / part.doubt, part.residual / part.doubt
    seen = own * residual - shape * (answer.T @ (D.T @ residual))
    along, power = _summed(seen), _summed(own**2)
    by_c, by_force = _summed((answer * shape).T), _summed(own[:, None] * D)
    # Of (own - D answer)^T (own - D answer), summed over the rows of the stretch on both sides.
    normal = D.T @ D
    size = power[b] - power[a]
    for some in np.array_split(np.arange(len(a)), 1 + len(a) * len(normal) // AT_ONCE):
        c = by_c[b[some]] - by_c[a[some]]
        forces = by_force[b[some]] - by_force[a[some]]
        size[some] += np.einsum("sk,sk->s", c, c @ normal - 2.0 * forces)
    of = along[b] - along[a]
    least = 1e-6 * float((own**2).max(initial=1e-300))
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(size > least, of / size, 0.0)
    return step * of, step


def _summed(values: Floats) -> Floats:
    """Sums over the rows before each and, last, over all: (m + 1, ...)."""
    return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])


def _stretches(points: Points, rows: Indices, *, single: bool, alone: bool) -> tuple[Indices, Indices]:
    """Which stretches may be off together, from row a to before row b: each ``single`` row, and, unless rows
    slip ``alone``, all from one to the end of a passage of the same sitting."""
    n = len(rows)
    each = np.arange(n if single else 0)
    if alone:
        return each, each + 1
    turned = np.concatenate([[0], np.cumsum(np.diff(points.orientation[rows]) != 0)])
    last = np.flatnonzero(np.append(np.diff(points.leg[rows]) != 0, True))
    a, end = np.nonzero((np.arange(n)[:, None] < last) & (turned[:, None] == turned[last]))
    return np.concatenate([each, a]), np.concatenate([each, last[end]]) + 1
