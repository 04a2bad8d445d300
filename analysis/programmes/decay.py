"""The slow decay of magnetisation in one field: its coefficient of viscosity, or a bound on it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..errors import Finding, NotPossible, about_rows
from ..forces.branches import mean_path
from ..forces.force import force
from ..magnetostatics.bench_linearisation import bench_model
from ..magnetostatics.quadrature import volume
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.readings import Readings
from .history_fit import history_points
from .settings import DRIFT, FAR_OFF, LEAST_DECAY, LONGEST_SAME, MOST_MOVES, MOST_OFF, WANDER


@dataclass(frozen=True, eq=False)
class DecayResult:
    """M = M0 - S ln(t / t0) in the field ``H`` (applied, A/m), as R. Street and J. C. Woolley found it
    (Proc. Phys. Soc. A 62 (1949) 562).

    ``t`` (n,) in s since the field was reached, ``M`` (n,) A/m. ``S`` with ``u`` in A/m per e-fold of time;
    ``bound``: S is not told apart from nothing, and below this with 97.5 %. ``chi_square``: per degree of
    freedom. ``drift_part``: how much of u the drift of the balance alone makes. ``warnings``: readings far
    off, and where the zero moved.
    """

    H: float
    t: Floats
    M: Floats
    S: float
    u: float
    bound: float | None
    chi_square: float
    drift_part: float
    warnings: tuple[Finding, ...] = ()

    def change(self, t: Floats) -> tuple[Floats, Floats]:
        """Change of M since the first reading, A/m, at times ``t`` (m,), s: what the decay makes of it, and
        with the steady drift of the zero that goes with it."""
        log, measured = np.log(self.t / self.t[0]), self.M - self.M[0]
        drift, begin = np.polyfit(self.t, measured + self.S * log, 1)
        lost = begin - self.S * np.log(t / self.t[0])
        return lost, lost + drift * t


def decay(readings: Readings, bench: Bench) -> DecayResult:
    """S from the longest stretch of readings at one gap, in one orientation.

    The time begins where the first reading's load came, as far as that is known (``_reached``). What a drift
    of the balance's zero would look alike is an unknown of the fit (``_zero``), so that S is told only by
    what is not. Raises NotPossible for too few readings, or less than a decade of time.
    """
    rows = _longest(readings)
    t = readings.time[rows]
    if len(rows) < LEAST_DECAY or not np.isfinite(t).all():
        raise NotPossible(
            f"readings with their times at one gap: {len(rows)}; a decay needs {LEAST_DECAY} or more"
        )
    t = t - _reached(readings, int(rows[0]), t)
    if t[-1] < 10.0 * t[0]:
        raise NotPossible("the readings at one gap span less than a decade of time; wait longer")
    H, gradient = mean_path(readings, bench)
    i = int(rows[0])
    per_kg = -float(
        readings.orientation[i] / (volume(bench.sample) * gradient[i]) * force(np.ones(1), bench)[0]
    )
    u = np.where(np.isfinite(readings.u_reading[rows]), readings.u_reading[rows], bench.balance.resolution)
    zero, drift, wandering = _zero(readings, rows, u)
    mass = readings.reading[rows] - zero
    X = np.column_stack([np.ones(len(t)), -np.log(t / t[0]) / per_kg, t])
    kept, moves, warnings, by_gap = np.arange(len(t)), [], [], 0.0

    def fitted(drift: float) -> tuple[float, float, float]:
        steps = [(np.arange(len(t)) >= k).astype(float) for k in moves]
        noise = np.diag(u**2) + (wandering if drift else 0.0)
        return _fitted(np.column_stack([X, *steps])[kept], mass[kept], noise[np.ix_(kept, kept)], drift)

    while (slip := _likeliest_slip(X, mass, np.diag(u**2) + wandering, drift, kept, moves)) is not None:
        k, step = slip
        if step is None:
            kept = kept[kept != k]
            text = "far off what the rest of the run says; set aside"
            warnings.append(about_rows("fit-outlier", readings.row[rows[[k]]], text))
        else:
            moves.append(k)
            by_gap = float(np.hypot(by_gap, step / np.median(mass)))
            text = f"from here on all off by {step * 1e3:+.3g} g: the zero moved; it is fitted besides"
            warnings.append(about_rows("zero-jump", readings.row[rows[k:]], text))
    S, u_S, chi = fitted(drift)
    _, u_quiet, _ = fitted(0.0)
    # Readings that fit less well than they claim tell less well (Birge ratio); what moved may have been the
    # gap, from which on the same decay is weighed in another gradient; the bench is known as it is stated.
    scale = np.hypot(by_gap, _of_bench(readings, bench, i))
    u_S = float(np.hypot(u_S * np.sqrt(max(chi, 1.0)), scale * S))
    bound = None if abs(S) > 1.96 * u_S else max(S, 0.0) + 1.96 * u_S
    part = float(np.sqrt(max(1.0 - (u_quiet / u_S) ** 2, 0.0)))
    M = per_kg * mass[kept]
    return DecayResult(float(H[i]), t[kept], M, S, u_S, bound, chi, part, tuple(warnings))


def _likeliest_slip(
    X: Floats, y: Floats, covariance: Floats, drift: float, kept: np.ndarray, moves: list[int]
) -> tuple[int, float | None] | None:
    """The reading that is far off alone (its place, None), or from which on all are off by a step (its place,
    the step, kg); None where there is none, or there were enough."""
    n, m = len(y), len(kept)
    if m <= max(LEAST_DECAY, n - max(n // MOST_OFF, MOST_MOVES)) or len(moves) >= MOST_MOVES:
        return None
    places = np.arange(n)
    known = [(places >= k).astype(float) for k in moves]
    white = np.linalg.inv(np.linalg.cholesky(covariance[np.ix_(kept, kept)]))
    A = white @ np.column_stack([X, *known])[kept]
    if drift > 0.0:
        A = np.vstack([A, np.eye(A.shape[1])[2] / drift])
    b, rest = np.append(white @ y[kept], np.zeros(len(A) - m)), np.zeros((len(A) - m, m - 1))
    basis = np.linalg.qr(A)[0]

    def left(columns: Floats) -> Floats:
        seen = np.vstack([white @ columns, rest[:, : columns.shape[1]]])
        return seen - basis @ (basis.T @ seen)

    residual = b - basis @ (basis.T @ b)
    best: tuple[float, int, float | None] = 0.0, 0, None
    for stretch in (False, True):
        at = kept[1:] if stretch else kept
        shapes = (kept[:, None] >= at if stretch else kept[:, None] == at).astype(float)
        for begin in range(0, shapes.shape[1], m - 1):
            seen = left(shapes[:, begin : begin + m - 1])
            power = np.maximum(np.sum(seen**2, axis=0), 1e-300)
            step = (residual @ seen) / power
            k = int(np.argmax(step**2 * power))
            # A step at the last reading is that reading alone.
            if step[k] ** 2 * power[k] > best[0] * (1.0 + 1e-9):
                best = step[k] ** 2 * power[k], int(at[begin + k]), float(step[k]) if stretch else None
    return (best[1], best[2]) if best[0] > FAR_OFF**2 else None


def _fitted(X: Floats, y: Floats, covariance: Floats, drift: float) -> tuple[float, float, float]:
    """S, its u and the chi-square per degree of freedom; a steady drift is nothing, with u = ``drift``."""
    root = np.linalg.cholesky(covariance)
    A, b = np.linalg.solve(root, X), np.linalg.solve(root, y)
    if drift > 0.0:
        A, b = np.vstack([A, np.eye(A.shape[1])[2] / drift]), np.append(b, 0.0)
    else:
        A = np.delete(A, 2, axis=1)
    found, *_ = np.linalg.lstsq(A, b, rcond=None)
    inverse = np.linalg.inv(A.T @ A)
    left = max(len(y) - A.shape[1] + (drift > 0.0), 1)
    return float(found[1]), float(np.sqrt(inverse[1, 1])), float(np.sum((A @ found - b) ** 2) / left)


def _of_bench(readings: Readings, bench: Bench, row: int) -> float:
    """Standard uncertainty, as a part of it, of M at a row for what the bench file states."""
    model = bench_model(history_points(readings, bench), bench)
    by = model.pull_change[:, row].sum(axis=-1) / model.field.pull[row].sum()
    return float(np.sqrt(by @ model.prior @ by))


def _reached(readings: Readings, first: int, t: Floats) -> float:
    """When the field was reached, s: the first reading's load, the reading elsewhere before it, or else as
    long before the first as the next one came after it."""
    if readings.settled_in is not None and np.isfinite(readings.settled_in[first]):
        return float(t[0] - max(readings.settled_in[first], 1e-3))
    if first > 0 and readings.time[first - 1] < t[0]:
        return float(readings.time[first - 1])
    return float(t[0] - (t[1] - t[0]))


def _zero(readings: Readings, rows: np.ndarray, u: Floats) -> tuple[Floats, float, Floats]:
    """The zero at the rows (m,), kg, how fast it may drift steadily besides, kg/s, and the covariance of how
    it may wander (m, m).

    It is taken to drift by ``DRIFT`` and to wander half as far (a Wiener process). Zeros read before and
    after tie both ends down: what is left is a bridge, as large as ``DRIFT`` and the drift seen make likely.
    """
    before, after = readings.zero_before[rows], readings.zero_after[rows[-1]]
    known = np.flatnonzero(np.isfinite(before))
    t = readings.time[rows] - readings.time[rows[0]]
    if not len(known):
        before, known = np.zeros(len(rows)), np.arange(len(rows))
    last = np.maximum(np.searchsorted(known, np.arange(len(rows)), side="right") - 1, 0)
    zero = before[known[last]]
    wandering = np.minimum.outer(t, t) * t[-1]
    if not np.isfinite(after) or t[-1] <= 0.0:
        return zero, DRIFT, wandering * (WANDER * DRIFT) ** 2
    seen = float(after - zero[-1]) / float(t[-1])
    bridge = wandering - np.multiply.outer(t, t)
    likely = 0.5 * (DRIFT**2 + seen**2)
    return zero + seen * t, float(np.hypot(u[0], u[-1]) / t[-1]), bridge * WANDER**2 * likely


def _longest(readings: Readings) -> np.ndarray:
    """Rows of the longest stretch at one gap in one orientation that are not set aside."""
    n = len(readings)
    ends = [0, *(i for i in range(1, n) if not _same(readings, i - 1, i)), n]
    good = np.array([why is None for why in readings.set_aside]) & np.isfinite(readings.reading)
    stretches = [start + np.flatnonzero(good[start:stop]) for start, stop in pairwise(ends)]
    return max(stretches, key=len)


def _same(readings: Readings, a: int, b: int) -> bool:
    near = abs(readings.gap[a] - readings.gap[b]) < LONGEST_SAME
    return bool(near and readings.orientation[a] == readings.orientation[b])
