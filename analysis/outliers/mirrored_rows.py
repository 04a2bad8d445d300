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

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import Finding, about_rows
from ..forces import force as weighing
from ..forces.branches import SAME_GAP, Arrangement, Passage
from ..records.arrays import Floats
from ..records.bench import Bench
from .physical_limits import SURE, Limits, total_violation, whole_roughness
from .zero_offsets import describe_as_spacers

Rows = NDArray[np.int64]

#: Gaps of one noted height differ by this part of the force (our choice: 3 um where it falls 10 % a mm).
_REPEATS = 3e-4
#: A slip lowers chi-square by more than this (of thousands of stretches tried, chance lowers it by 20).
_SURE = 60.0
#: Stretches that explain the pairs as well, to within this, are told apart by their branches' smoothness.
_AS_WELL = 15.0
#: With a usual misfit above this many standard uncertainties the passages are not alike, and say nothing.
_UNLIKE = 5.0
#: It explains this part of what the pairs differ by, bend by bend, and moves M by this part of its scale.
_EXPLAINED, _MATTERS = 0.5, 0.008
_FEWEST_BENDS, _MOST_SLIPS, _LOOKED_AT = 8, 6, 80
#: A gap that no other passage has is likely noted wrongly anyway: it needs to move M by less, but by so
#: many times what rows with a counterpart are off by in the same way (our choice, from simulated slips).
_UNPAIRED, _UNUSUAL = 0.004, 4.0


@dataclass(frozen=True, eq=False)
class Pairs:
    """Rows and their counterparts, (m,) each, and which two passages a pair is of."""

    row: Rows
    other: Rows
    group: Rows


@dataclass(frozen=True, eq=False)
class Slip:
    """A stretch of rows, and what they are off by: ``force`` (n,) in N, 0 elsewhere. ``step``: in kg for a
    wrong zero or reading, in m for a wrong gap (``kind``)."""

    rows: Rows
    kind: str
    force: Floats
    step: float


def screen_mirrored_rows(arranged: Arrangement, limits: Limits, bench: Bench) -> Arrangement:
    """Set aside the stretches of rows that differ from their counterparts."""
    for _ in range(_MOST_SLIPS):
        pairs = counterparts(arranged, limits)
        found = _likeliest(arranged, limits, bench, pairs) if len(pairs.row) > _FEWEST_BENDS else None
        if found is None:
            break
        slip, doubted = found
        arranged = arranged.set_aside(*_told(arranged, bench, slip, doubted))
    return _between_counterparts(arranged, limits, bench)


def _between_counterparts(arranged: Arrangement, limits: Limits, bench: Bench) -> Arrangement:
    """Rows whose gap the other passage does not have, against M between its rows: where nearly all gaps
    are set again, such a gap is likely to be noted wrongly. How well M is told between rows, the rows that
    have counterparts show: each from its counterpart's neighbours alone."""
    from scipy.interpolate import CubicSpline

    points, M, H = arranged.points, arranged.M, arranged.H
    told = points.used & limits.sees
    aside: dict[int, str] = {}
    for passage, other in _opposite(arranged):
        rows, others = passage.rows[told[passage.rows]], arranged.with_tip(other)
        others = others[told[others]]
        if len(rows) < 5 or len(others) < 5:
            continue
        apart = np.abs(points.gap[rows][:, None] - points.gap[others][None, :])
        paired = apart.min(axis=1) < SAME_GAP
        if paired.sum() < 4 or 3 * paired.sum() < 2 * len(rows):
            continue
        off = np.zeros(len(rows))
        for k, i in enumerate(rows):
            kept = others[apart[k] >= SAME_GAP]
            order = kept[np.argsort(-H[kept])]
            inside = -H[order[0]] < H[i] < -H[order[-1]]
            off[k] = M[i] + float(CubicSpline(-H[order], M[order])(H[i])) if inside else np.nan
        for k in np.flatnonzero(~paired & np.isfinite(off)):
            near = paired & (np.abs(np.arange(len(rows)) - k) <= 3) & np.isfinite(off)
            usual = float(np.abs(off[near]).max(initial=0.0))
            u = SURE * float(np.abs(arranged.M_slope[rows[k]]) * arranged.zeros.u_change[rows[k]])
            if near.sum() >= 2 and abs(off[k]) > max(_UNUSUAL * usual, _UNPAIRED * limits.scale, u):
                part = 100.0 * off[k] / max(abs(M[rows[k]] - off[k]), 1e-9 * limits.scale)
                aside[int(rows[k])] = (
                    f"off by {part:+.0f} % from what the gaps around show with the other orientation: the "
                    "gap or the reading was noted wrongly"
                )
    warnings = [
        about_rows("gap-outlier", points.row[[i]], f"{why}; set aside") for i, why in sorted(aside.items())
    ]
    return arranged.set_aside(aside, warnings)


def _opposite(arranged: Arrangement) -> Iterator[tuple[Passage, Passage]]:
    """Every passage of the closed loop, and one that goes the same way with the other orientation."""
    on = [p for p in arranged.passages if p.branch != "first"]
    for k, passage in enumerate(on):
        alike = [
            p
            for p in on[k + 1 :] + on[:k][::-1]
            if p.inward == passage.inward and p.orientation == -passage.orientation
        ]
        if alike:
            yield passage, alike[0]


def counterparts(arranged: Arrangement, limits: Limits) -> Pairs:
    """Rows of the same gap, going the same way, on the next passage with the other orientation."""
    told = arranged.points.used & limits.sees
    gap = arranged.points.gap
    on = [p for p in arranged.passages if p.branch != "first"]
    found: list[tuple[int, int, int]] = []
    for k, passage in enumerate(on):
        after = [
            p for p in on[k + 1 :] if p.inward == passage.inward and p.orientation == -passage.orientation
        ]
        for i in passage.rows[told[passage.rows]] if after else ():
            others = arranged.with_tip(after[0])
            others = others[told[others]]
            same = others[np.abs(gap[others] - gap[i]) < SAME_GAP]
            found += [(int(i), int(j), k) for j in same[:1]]
    table = np.array(found, np.int64).reshape(-1, 3)
    return Pairs(table[:, 0], table[:, 1], table[:, 2])


def mirrored_M(arranged: Arrangement, limits: Limits) -> Floats:
    """M of each row's counterpart with its sign changed, (n,), A/m: what the row should show; NaN where
    it has none."""
    pairs = counterparts(arranged, limits)
    again = np.full(len(arranged.M), np.nan)
    again[pairs.other] = -arranged.M[pairs.row]
    again[pairs.row] = -arranged.M[pairs.other]
    return again


def _likeliest(arranged: Arrangement, limits: Limits, bench: Bench, pairs: Pairs) -> tuple[Slip, Rows] | None:
    """The stretch that explains best what the pairs differ by, and the rows that might be wrong instead."""
    points = arranged.points
    force = points.force
    spread = np.hypot(points.u_force, _REPEATS * force)
    sigma = np.hypot(spread[pairs.row], spread[pairs.other])
    bent = _second_differences(pairs) / sigma
    smooth = bent @ _smooth(arranged, pairs)
    if len(bent) < smooth.shape[1] + _FEWEST_BENDS:
        return None
    basis = np.linalg.svd(smooth, full_matrices=False)[0]
    bent = bent - basis @ (basis.T @ bent)
    differs = bent @ (force[pairs.row] - force[pairs.other])

    stretches = list(_stretches(arranged, bench))
    shapes = np.array([shape for _, _, shape in stretches])
    seen = bent @ (shapes[:, pairs.row] - shapes[:, pairs.other]).T
    power = np.einsum("ij,ij->j", seen, seen)
    along = seen.T @ differs
    # A shape that is smooth itself is not measured by the bends.
    gain = np.where(power > 0, along**2 / np.maximum(power, 1e-300), 0.0)
    gain[power < 1e-6 * np.sum((shapes[:, pairs.row] / sigma) ** 2, axis=1)] = 0.0
    best = int(np.argmax(gain))
    if not gain[best] > 0:
        return None
    left = differs - seen[:, best] * along[best] / power[best]
    # The median, as the slips that are not yet found must not count.
    usual = max(1.0, 1.4826 * float(np.median(np.abs(left))))
    if usual > _UNLIKE or gain[best] < max(_SURE * usual**2, _EXPLAINED * float(differs @ differs)):
        return None

    per_newton = arranged.M_slope / weighing.force(1.0, bench)
    near = np.argsort(-gain)[:_LOOKED_AT]
    near = near[gain[near] >= gain[best] - _AS_WELL * usual**2]

    def cost(M: Floats) -> float:
        together = total_violation(arranged, M, limits) + whole_roughness(arranged, M, limits)
        return together + _mismatch(M, pairs)

    told: list[tuple[float, Slip]] = []
    for c in near:
        rows, kind, shape = stretches[c]
        step = float(along[c] / power[c])
        slip = Slip(rows, kind, step * shape, step)
        told.append((cost(arranged.M - per_newton * slip.force) + 1e-3 * limits.scale * len(rows), slip))
    told.sort(key=lambda one: one[0])
    mended, slip = told[0]
    # Where a part never turned over, the first passage after it differs from the next, most in its bends.
    unlike = float(np.median(np.abs(arranged.M[pairs.row] + arranged.M[pairs.other])))
    moved = float(np.abs(per_newton * slip.force).max())
    whole = slip.kind == "zero" and describe_as_spacers(slip.step, arranged)
    if moved < 2.0 * unlike or (moved < _MATTERS * limits.scale and not whole):
        return None
    # Taken away, it must leave all branches smoother and more alike, not the bends of the pairs alone.
    if mended > cost(arranged.M) - 0.5 * moved:
        return None
    off = 0.5 * moved
    rivals = [
        other.rows for c, other in told[1:] if c < mended + off and not np.isin(other.rows, slip.rows).any()
    ]
    return slip, rivals[0] if rivals else np.zeros(0, np.int64)


def _mismatch(M: Floats, pairs: Pairs) -> float:
    """How far the pairs are from equal and opposite M, but for what a passage differs by as a whole, A/m."""
    total = M[pairs.row] + M[pairs.other]
    usual = {group: np.median(total[pairs.group == group]) for group in np.unique(pairs.group)}
    return float(sum(np.abs(t - usual[group]) for t, group in zip(total, pairs.group, strict=True)))


def _second_differences(pairs: Pairs) -> Floats:
    """The second differences along each passage as a matrix (k, m), scaled so that a single pair's
    deviation counts as in the pairs themselves."""
    lines: list[Floats] = []
    for group in np.unique(pairs.group):
        at = np.flatnonzero(pairs.group == group)
        for k in range(len(at) - 2):
            line = np.zeros(len(pairs.row))
            line[at[k : k + 3]] = np.array([1.0, -2.0, 1.0]) / np.sqrt(6.0)
            lines.append(line)
    return np.array(lines).reshape(-1, len(pairs.row))


def _smooth(arranged: Arrangement, pairs: Pairs) -> Floats:
    """What two passages may differ by, (m, k), N, where there are pairs enough to tell: a part of the
    sample that did not turn over (as the field's pull), a part of the force (warmth)."""
    columns = [np.zeros(len(pairs.row))]
    for group in np.unique(pairs.group):
        here = pairs.group == group
        pull = 1.0 / np.maximum(np.abs(arranged.M_slope[pairs.row]), 1e-300)
        own = [pull / pull.max(), arranged.points.force[pairs.row] + arranged.points.force[pairs.other]]
        columns += [np.where(here, column, 0.0) for column in own[: int(here.sum()) // 6]]
    return np.stack(columns, axis=1)


def _stretches(arranged: Arrangement, bench: Bench) -> Iterator[tuple[Rows, str, Floats]]:
    """Every stretch that may be looked for: its rows, its kind, and the force (N) each row is off by for a
    step of 1: ``zero`` (kg), ``zeros`` (spacer masses gathering, kg), ``gap`` (m)."""
    points = arranged.points
    n = len(points)
    newton = weighing.force(1.0, bench)
    slope = np.zeros(n)
    passages = [(p, rows) for p in arranged.passages if len(rows := p.rows[points.used[p.rows]])]
    for _, rows in passages:
        if len(rows) > 1 and np.all(np.diff(points.gap[rows]) != 0):
            slope[rows] = np.gradient(points.force[rows], points.gap[rows])
    for k, (passage, rows) in enumerate(passages):
        later = [np.concatenate([each for _, each in passages[k:m]]) for m in range(k + 2, len(passages) + 1)]
        # A person who works up to the strongest field and re-zeroes there spoils that row too.
        tip = np.setdiff1d(arranged.with_tip(passage), passage.rows)
        if points.used[tip].any():
            later.append(np.append(rows, tip))
        for a in range(len(rows)):
            for b in range(a + 1, len(rows) + 1):
                yield rows[a:b], "zero", _where(n, rows[a:b], newton)
                if b > a + 1 and (b == len(rows)) != (a == 0):
                    yield rows[a:b], "gap", _where(n, rows[a:b], slope[rows[a:b]])
            for whole in later:
                yield whole[a:], "zero", _where(n, whole[a:], newton)
            counts = points.spacers[rows]
            if a and np.all(np.isfinite(counts)) and a < len(rows) - 1:
                gathered = counts[a:] - counts[a - 1]
                yield rows[a:], "zeros", _where(n, rows[a:], newton * gathered)


def _where(n: int, rows: Rows, value: float | Floats) -> Floats:
    whole = np.zeros(n)
    whole[rows] = value
    return whole


def _told(
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
        looks = _as_count(slip.step, bench)
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


def _as_count(step: float, bench: Bench) -> str:
    """A gap's error in spacers, where it is a whole number of them."""
    spacer = bench.gap.spacer
    if bench.gap.ladder != "spacers" or spacer is None:
        return ""
    count = round(abs(step) / spacer.value)
    if count == 0 or abs(abs(step) / spacer.value - count) > 0.25:
        return ""
    return f" (looks like {count} spacer{'s' if count > 1 else ''} miscounted)"
