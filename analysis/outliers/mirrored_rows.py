"""Rows against their counterparts: what one branch shows at a gap, the other shows again turned over.

After the first visit to the strongest field a loop is symmetric: at the same gap, going the same way, a
sample is pulled alike with either orientation. That holds for any sample, any magnet and any bench file,
so two passages can be compared force by force, far below what a branch by itself would show. What differs
smoothly (a part of the sample that never turned over, accommodation, drift, warmth) is no slip: second
differences along the passage take it away. A stretch of rows that begins or ends with a step is one: a
wrong zero, a wrong gap, a wrong reading. Which of the two rows is wrong, the smoothness of their branches
tells; where it does not, both are doubted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import Finding, about_rows
from ..forces import force as weighing
from ..forces.branches import Arrangement
from ..records.arrays import Floats
from ..records.bench import Bench
from .counterparts import Pairs, Rows, mirrored_pairs
from .physical_limits import Limits, total_violation, whole_roughness
from .settings import (
    AS_WELL,
    AT_A_TIME,
    EXPLAINED,
    FEWEST_BENDS,
    LIKELIER,
    LOOKED_AT,
    MATTERS,
    MOST_SLIPS,
    REPEATS,
    UNLIKE,
)
from .stretches import KINDS, stretches
from .table import Table
from .wording import describe_as_miscount, describe_as_spacers


@dataclass(frozen=True, eq=False)
class Slip:
    """A stretch of rows, and what they are off by: ``force`` (n,) in N, 0 elsewhere. ``step``: in kg for a
    wrong zero or reading, in m for a wrong gap (``kind``)."""

    rows: Rows
    kind: str
    force: Floats
    step: float


def mirrored_stretches(table: Table) -> Table:
    """Set aside the stretches of rows that differ from their counterparts."""
    for _ in range(MOST_SLIPS):
        pairs = mirrored_pairs(table.arranged, table.limits)
        found = (
            _likeliest(table.arranged, table.limits, table.bench, pairs)
            if len(pairs.row) > FEWEST_BENDS
            else None
        )
        if found is None:
            break
        slip, doubted = found
        table = table.set_aside(*_described(table.arranged, table.bench, slip, doubted))
    return table


def _likeliest(arranged: Arrangement, limits: Limits, bench: Bench, pairs: Pairs) -> tuple[Slip, Rows] | None:
    """The stretch that explains best what the pairs differ by, and the rows that might be wrong instead."""
    points = arranged.points
    force = points.force
    spread = np.hypot(points.u_force, REPEATS * force)
    sigma = np.hypot(spread[pairs.row], spread[pairs.other])
    bends = _second_differences(pairs)
    root = np.zeros((bends.shape[0], 0))
    if arranged.zeros.track is not None:
        # A zero that is followed wanders, and its errors are no slips.
        root = bends @ ((arranged.zeros.root[pairs.row] - arranged.zeros.root[pairs.other]) / sigma[:, None])
        root *= weighing.force(1.0, bench)
    white = np.linalg.cholesky(np.eye(len(root)) + root @ root.T) if root.shape[1] else None

    def bent(values: Floats) -> Floats:
        """The bends of values (m, s) of the pairs, N, in standard deviations (k, s)."""
        seen = bends @ (values / sigma[:, None])
        return seen if white is None else np.linalg.solve(white, seen)

    smooth = bent(_smooth(arranged, pairs, turner=bench.gap.turner is not None))
    if len(smooth) < smooth.shape[1] + FEWEST_BENDS:
        return None
    basis = np.linalg.svd(smooth, full_matrices=False)[0]

    def told(shapes: Floats) -> Floats:
        """Of shapes (s, n), N, what the bends of the pairs show, in standard deviations: (k, s)."""
        seen = bent((shapes[:, pairs.row] - shapes[:, pairs.other]).T)
        return seen - basis @ (basis.T @ seen)

    differs = told(force[None, :])[:, 0]
    tried = stretches(arranged, bench)
    power, along, gain = (np.zeros(len(tried)) for _ in range(3))
    for at in range(0, len(tried), AT_A_TIME):
        some = slice(at, at + AT_A_TIME)
        shapes = tried.shapes(some)
        seen = told(shapes)
        power[some], along[some] = np.einsum("ij,ij->j", seen, seen), seen.T @ differs
        # A shape that is smooth itself is not measured by the bends.
        measured = power[some] > 1e-6 * np.sum((shapes[:, pairs.row] / sigma) ** 2, axis=1)
        gain[some] = np.where(measured, along[some] ** 2 / np.maximum(power[some], 1e-300), 0.0)
    best = int(np.argmax(gain))
    if not gain[best] > 0:
        return None
    left = differs - told(tried.shapes([best]))[:, 0] * along[best] / power[best]
    # The median, as the slips that are not yet found must not count.
    usual = max(1.0, 1.4826 * float(np.median(np.abs(left))))
    if usual > UNLIKE or gain[best] < max(LIKELIER * usual**2, EXPLAINED * float(differs @ differs)):
        return None

    per_newton = arranged.M_slope / weighing.force(1.0, bench)
    near = np.argsort(-gain)[:LOOKED_AT]
    near = near[gain[near] >= gain[best] - AS_WELL * usual**2]

    def cost(M: Floats) -> float:
        together = total_violation(arranged, M, limits) + whole_roughness(arranged, M, limits)
        return together + _mismatch(M, pairs)

    ranked: list[tuple[float, Slip]] = []
    for c, shape in zip(near, tried.shapes(near), strict=True):
        step = float(along[c] / power[c])
        slip = Slip(tried.rows(c), KINDS[tried.kind[c]], step * shape, step)
        cost_here = cost(arranged.M - per_newton * slip.force)
        ranked.append((cost_here + 1e-3 * limits.scale * len(slip.rows), slip))
    ranked.sort(key=lambda one: one[0])
    mended, slip = ranked[0]
    # Where a part never turned over, the first passage after it differs from the next, most in its bends.
    unlike = float(np.median(np.abs(arranged.M[pairs.row] + arranged.M[pairs.other])))
    moved = float(np.abs(per_newton * slip.force).max())
    whole = slip.kind == "zero" and describe_as_spacers(slip.step, arranged)
    if moved < 2.0 * unlike or (moved < MATTERS * limits.scale and not whole):
        return None
    # Taken away, it must leave all branches smoother and more alike, not the bends of the pairs alone.
    if mended > cost(arranged.M) - 0.5 * moved:
        return None
    off = 0.5 * moved
    rivals = [
        other.rows for c, other in ranked[1:] if c < mended + off and not np.isin(other.rows, slip.rows).any()
    ]
    return slip, rivals[0] if rivals else np.zeros(0, np.int64)


def _mismatch(M: Floats, pairs: Pairs) -> float:
    """How far the pairs are from equal and opposite M, but for what a passage differs by as a whole, A/m."""
    total = M[pairs.row] + M[pairs.other]
    usual = {group: np.median(total[pairs.group == group]) for group in np.unique(pairs.group)}
    return float(sum(np.abs(t - usual[group]) for t, group in zip(total, pairs.group, strict=True)))


def _second_differences(pairs: Pairs) -> Any:
    """The second differences along each passage as a sparse matrix (k, m), scaled so that a single pair's
    deviation counts as in the pairs themselves."""
    from scipy.sparse import csr_matrix

    passages = [np.flatnonzero(pairs.group == group) for group in np.unique(pairs.group)]
    threes = [np.stack([at[:-2], at[1:-1], at[2:]], axis=1) for at in passages if len(at) > 2]
    at = np.concatenate(threes) if threes else np.zeros((0, 3), np.intp)
    values = np.tile(np.array([1.0, -2.0, 1.0]) / np.sqrt(6.0), len(at))
    lines = np.repeat(np.arange(len(at)), 3)
    return csr_matrix((values, (lines, at.ravel())), shape=(len(at), len(pairs.row)))


def _smooth(arranged: Arrangement, pairs: Pairs, *, turner: bool) -> Floats:
    """What two passages may differ by, (m, k), N, where there are pairs enough to tell: a part of the
    sample that did not turn over (as the field's pull), a part of the force (warmth), and with a turner,
    which holds the sample off its axis, what a shift of the gap makes of it."""
    columns = [np.zeros(len(pairs.row))]
    for group in np.unique(pairs.group):
        here = pairs.group == group
        pull = 1.0 / np.maximum(np.abs(arranged.M_slope[pairs.row]), 1e-300)
        own = [pull / pull.max(), arranged.points.force[pairs.row] + arranged.points.force[pairs.other]]
        if turner and here.sum() > 1:
            rows = pairs.row[here]
            shift = np.zeros(len(here))
            shift[here] = np.gradient(arranged.points.force[rows], arranged.points.gap[rows])
            own.insert(0, shift)
        columns += [np.where(here, column, 0.0) for column in own[: int(here.sum()) // 6]]
    return np.stack(columns, axis=1)


def _described(
    arranged: Arrangement, bench: Bench, slip: Slip, doubted: Rows
) -> tuple[dict[int, str], list[Finding]]:
    """Reasons by row and the warning about a slip found."""
    points = arranged.points
    code, reason = _in_words(arranged, bench, slip)
    text = f"{reason}; set aside"
    rows = slip.rows
    if len(doubted):
        rows = np.union1d(slip.rows, doubted)
        text = (
            f"{reason}, or the rows that repeat them with the other orientation are: which is wrong the "
            "readings do not tell; both set aside"
        )
    return dict.fromkeys(rows.tolist(), reason), [about_rows(code, points.row[rows], text)]


def _in_words(arranged: Arrangement, bench: Bench, slip: Slip) -> tuple[str, str]:
    """Code and reason."""
    points, rows = arranged.points, slip.rows
    against = "from what the same gaps show with the other orientation"
    if slip.kind == "gap":
        looks = describe_as_miscount(slip.step, bench)
        return "gap-outlier", f"gaps off by {-slip.step * 1e3:+.3g} mm{looks} {against}: noted wrongly"
    if slip.kind == "zeros":
        return "zero-jump", f"off by {slip.step * 1e3:+.4g} g more with each spacer moved: not re-zeroed"
    off = f"off by {slip.step * 1e3:+.4g} g"
    if len(rows) > 1:
        return (
            "zero-jump",
            f"all {off}{describe_as_spacers(slip.step, arranged)} {against}: a re-zero was forgotten",
        )
    i = int(rows[0])
    right = points.force[i] - slip.force[i]
    if abs(points.force[i] + right) < 0.1 * abs(right):
        return "orientation-suspect", "the sign of the force says the orientation was noted wrongly"
    looks = describe_as_spacers(slip.step, arranged)
    if looks:
        return "zero-jump", off + looks
    part = 100.0 * slip.force[i] / max(abs(right), 1e-12)
    return "gap-outlier", f"{off} ({part:+.0f} %) {against}: the gap or the reading was noted wrongly"
