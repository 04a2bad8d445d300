"""Where a zero that is followed through the run jumped: found from the zeros known and from rows of one gap.

At one gap, going the same way, the two orientations show the same but for what the zero moved by between
them (``counterparts``): such differences are readings of the zero, and with the known zeros they say for each
moment how likely a jump there is beside a zero that merely wanders. No row is set aside: from where it jumped
the zero is another unknown, at every moment at which it may have jumped with that moment's share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..errors import Finding
from ..forces.branches import with_zero_steps
from ..forces.passages import Passage
from ..forces.settings import MIRRORED_ALIKE, MIRRORED_EACH, SAME_GAP, WANDERS
from ..forces.zero_drift import ZeroStep, chance_of_wander
from ..forces.zeros import ZeroTrack
from ..records.arrays import Bools, Floats
from .counterparts import Pairs, mirrored_pairs
from .settings import JUMP_GAIN, JUMP_WIDER, LEAST_SHARE, MOST_JUMPS
from .table import Table


def zero_jumps(table: Table) -> Table:
    """Split the zero where it jumped."""
    for _ in range(MOST_JUMPS):
        track = table.arranged.zeros.track
        if track is None:
            break
        found = _likeliest(table, track)
        if found is None:
            break
        steps, size = found
        row = table.readings.row
        at = int(np.searchsorted(track.time, max(steps, key=lambda step: step.u).time))
        text = (
            f"the zero of the balance jumped by about {size * 1e3:+.3g} g, most likely between rows "
            f"{row[at - 1]} and {row[at]}: it is followed again from there, and no row is set aside for it"
        )
        arranged = with_zero_steps(table.arranged, table.readings, table.bench, steps)
        named = Finding("zero-jump", text, (int(row[at - 1]), int(row[at])))
        table = replace(table, arranged=arranged.set_aside({}, [named])).with_limits()
    return table


def _likeliest(table: Table, track: ZeroTrack) -> tuple[tuple[ZeroStep, ...], float] | None:
    """Where the zero jumped, if it did: every moment with its share, and the likeliest jump's size (kg)."""
    readings, zeros = table.readings, track.zeros
    pairs = mirrored_pairs(table.arranged, table.limits)
    m, time = len(zeros), np.append(zeros.time, track.time)
    # Known zeros, and differences of rows, by the zero at all these times.
    by_zero = np.zeros((m + len(pairs.row), len(time)))
    by_zero[np.arange(m), np.arange(m)] = 1.0
    pair = np.arange(len(pairs.row))
    by_zero[m + pair, m + pairs.row], by_zero[m + pair, m + pairs.other] = 1.0, -1.0
    value = np.append(zeros.value, readings.reading[pairs.row] - readings.reading[pairs.other])
    noise = np.zeros((len(value), len(value)))
    noise[:m, :m] = np.diag(zeros.u**2)
    noise[m:, m:] = _noise(table, pairs)
    moments = 0.5 * (track.time[1:] + track.time[:-1])
    jumped = by_zero @ (time[:, None] > moments)

    u = float(np.median(table.arranged.zeros.u_reading))
    still, best = np.inf, np.full(len(moments), np.inf)
    sizes = np.zeros(len(moments))
    for wander in WANDERS:
        drift = track.drift.wandering(wander * u)
        covariance = by_zero @ drift.covariance(time, time) @ by_zero.T + noise
        root = np.linalg.cholesky(covariance)
        y, s = np.linalg.solve(root, value), np.linalg.solve(root, jumped)
        plain = 2.0 * float(np.sum(np.log(np.diag(root)))) + float(y @ y) - 2.0 * chance_of_wander(wander)
        squares = np.maximum((s**2).sum(axis=0), 1e-300)
        size = s.T @ y / squares
        # Of a jump of any size, the likeliest taken (normal, its variance the one that suits it best).
        sure = np.maximum(size**2 * squares, 1.0)
        with_jump = plain - (sure - 1.0 - np.log(sure))
        still = min(still, plain)
        sizes = np.where(with_jump < best, size, sizes)
        best = np.minimum(best, with_jump)
    top = int(np.argmin(best))
    if best[top] > still - JUMP_GAIN:
        return None
    share = np.exp(-0.5 * (best - best[top]))
    share /= share.sum()
    wide = JUMP_WIDER * abs(float(sizes[top]))
    likely = np.flatnonzero(share > LEAST_SHARE * share[top])
    steps = tuple(ZeroStep(float(moments[i]), wide * float(np.sqrt(share[i]))) for i in likely)
    return steps, float(sizes[top])


def _noise(table: Table, pairs: Pairs) -> Floats:
    """Covariance (m, m) of what paired rows differ by besides the zero, kg^2."""
    arranged, bench = table.arranged, table.bench
    change, u = arranged.zeros.change, arranged.zeros.u_reading
    size = 0.5 * (np.abs(change[pairs.row]) + np.abs(change[pairs.other]))
    noise = np.diag(u[pairs.row] ** 2 + u[pairs.other] ** 2 + (MIRRORED_EACH * size) ** 2)
    turner = bench.gap.turner
    off = 0.0 if turner is None else float(np.hypot(turner.eccentricity.value, turner.eccentricity.u))
    slope, bend = _by_gap(arranged.passages, arranged.points.used, table.readings.gap, change)
    shift = 2.0 * off * arranged.points.orientation[pairs.row] * slope[pairs.row]
    noise += np.diag((2.0 * off * bend[pairs.row]) ** 2)
    for group in np.unique(pairs.group):
        here = pairs.group == group
        noise += MIRRORED_ALIKE**2 * np.outer(here * size, here * size) + np.outer(here * shift, here * shift)
    return noise


def _by_gap(passages: Sequence[Passage], used: Bools, gap: Floats, change: Floats) -> tuple[Floats, Floats]:
    """How the change of the reading goes with the gap at each row of its passage, and how badly that is known
    from rows so far apart, (n,) each, kg/m."""
    slope, bend = np.zeros(len(gap)), np.zeros(len(gap))
    for passage in passages:
        rows = passage.rows[used[passage.rows]]
        rows = rows[np.argsort(gap[rows])]
        apart = rows[np.diff(gap[rows], prepend=-np.inf) > SAME_GAP]
        if len(apart) < 3:
            continue
        at, shown = gap[apart], change[apart]
        bends = 0.5 * np.abs(np.diff(np.diff(shown) / np.diff(at)))
        slope[rows] = np.interp(gap[rows], at, np.gradient(shown, at))
        bend[rows] = np.interp(gap[rows], at, np.concatenate([bends[:1], bends, bends[-1:]]))
    return slope, bend
