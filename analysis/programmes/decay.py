"""The slow decay of magnetisation in one field: its coefficient of viscosity, or a bound on it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..errors import NotPossible
from ..forces.branches import mean_path
from ..forces.force import force
from ..magnetostatics.quadrature import volume
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.readings import Readings
from .settings import DRIFT, LEAST_DECAY, LONGEST_SAME


@dataclass(frozen=True, eq=False)
class DecayResult:
    """M = M0 - S ln(t / t0) in the field ``H`` (applied, A/m), as R. Street and J. C. Woolley found it
    (Proc. Phys. Soc. A 62 (1949) 562).

    ``t`` (n,) in s since the field was reached, ``M`` (n,) A/m. ``S`` with ``u`` in A/m per e-fold of time;
    ``bound``: S is not told apart from nothing, and below this with 97.5 %. ``chi_square``: per degree of
    freedom. ``drift_part``: how much of u the balance's drift alone makes.
    """

    H: float
    t: Floats
    M: Floats
    S: float
    u: float
    bound: float | None
    chi_square: float
    drift_part: float


def decay(readings: Readings, bench: Bench) -> DecayResult:
    """S from the longest stretch of readings at one gap, in one orientation.

    The time begins where the first reading's load came, as far as that is known (``_reached``). What a drift
    of the balance's zero would look alike is an unknown of the fit (a steady one and a wandering one, each as
    large as ``DRIFT`` or as the zeros before and after say), so that S is told only by what is not. Raises
    NotPossible for too few readings, or less than a decade of time.
    """
    rows = _longest(readings)
    t = readings.time[rows]
    if len(rows) < LEAST_DECAY or not np.isfinite(t).all():
        raise NotPossible(
            f"{len(rows)} readings with their times at one gap: a decay wants {LEAST_DECAY} or more"
        )
    t = t - _reached(readings, int(rows[0]), t)
    if t[-1] < 10.0 * t[0]:
        raise NotPossible("the readings at one gap span less than a decade of time; wait longer")
    H, gradient = mean_path(readings, bench)
    i = int(rows[0])
    per_kg = -float(
        readings.orientation[i] / (volume(bench.sample) * gradient[i]) * force(np.ones(1), bench)[0]
    )
    zero = np.where(np.isfinite(readings.zero_before[rows]), readings.zero_before[rows], 0.0)
    mass = readings.reading[rows] - zero
    u = np.where(np.isfinite(readings.u_reading[rows]), readings.u_reading[rows], bench.balance.resolution)
    drift = _drift(readings, rows)
    X = np.column_stack([np.ones(len(t)), -np.log(t / t[0]) / per_kg, t])
    noise = np.diag(u**2)
    # A wandering zero as far off at the end as a steady one could be.
    wandering = np.minimum.outer(t, t) / t[-1] * (drift * t[-1]) ** 2
    S, u_S, chi = _fitted(X, mass, noise + wandering, drift)
    _, u_quiet, _ = _fitted(X, mass, noise, 0.0)
    bound = None if abs(S) > 1.96 * u_S else max(S, 0.0) + 1.96 * u_S
    part = float(np.sqrt(max(1.0 - (u_quiet / u_S) ** 2, 0.0)))
    return DecayResult(float(H[i]), t, per_kg * mass, S, u_S, bound, chi, part)


def _fitted(X: Floats, y: Floats, covariance: Floats, drift: float) -> tuple[float, float, float]:
    """S, its u and the chi-square per degree of freedom; a steady drift is nothing, with u = ``drift``."""
    root = np.linalg.cholesky(covariance)
    A, b = np.linalg.solve(root, X), np.linalg.solve(root, y)
    if drift > 0.0:
        A, b = np.vstack([A, [0.0, 0.0, 1.0 / drift]]), np.append(b, 0.0)
    else:
        A = A[:, :2]
    found, *_ = np.linalg.lstsq(A, b, rcond=None)
    inverse = np.linalg.inv(A.T @ A)
    left = max(len(y) - 2, 1)
    return float(found[1]), float(np.sqrt(inverse[1, 1])), float(np.sum((A @ found - b) ** 2) / left)


def _reached(readings: Readings, first: int, t: Floats) -> float:
    """When the field was reached, s: the first reading's load, the reading elsewhere before it, or else as
    long before the first as the next one came after it."""
    if readings.settled_in is not None and np.isfinite(readings.settled_in[first]):
        return float(t[0] - max(readings.settled_in[first], 1e-3))
    if first > 0 and readings.time[first - 1] < t[0]:
        return float(readings.time[first - 1])
    return float(t[0] - (t[1] - t[0]))


def _drift(readings: Readings, rows: np.ndarray) -> float:
    """How fast the zero may drift, kg/s: as far as zeros before and after say, else ``DRIFT``."""
    before, after = readings.zero_before[rows[0]], readings.zero_after[rows[-1]]
    span = readings.time[rows[-1]] - readings.time[rows[0]]
    if np.isfinite(before) and np.isfinite(after) and span > 0 and rows[0] != rows[-1]:
        return max(abs(float(after - before)) / float(span), 0.05 * DRIFT)
    return DRIFT


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
