"""The earliest moment at which anybody could know the level: least squares told every noise law.

Given the covariances of sensor noise and draught, the law and path of the breathing (for its
linearisation), the balance's step response, and the readings before placing; unknown are the two
levels, the breathing's phase, overtones and slow wander. No filter that has to learn these from the
readings can reach it (posterior Cramer-Rao bound; Van Trees 1968, Detection, Estimation, and
Modulation Theory I, 2.4).
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from tests.support.models.streams import RATE, Floats, Stream


def earliest(stream: Stream, horizon: float = 60.0) -> float:
    """Seconds from the release to the first reading at which u <= target; infinity if not by then."""
    inside = stream.inside
    t = stream.sampled
    chosen = (t < stream.hand - 0.05) | ((t > stream.released) & (t < stream.released + horizon))
    t = t[chosen]
    before = t < stream.hand
    C, columns = _laws(stream, t, inside["index"][chosen], before)
    # what is left of the change itself: readings before it has died count for nothing
    step = inside["step"]
    left = 1 - np.interp(t - stream.released, np.arange(len(step)) / RATE, step)
    moving = ~before & (np.abs(left * stream.load) > stream.target / 3)
    if moving.any():
        moving[before.sum() : np.flatnonzero(moving)[-1] + 1] = True
    use = ~moving
    if not (use & ~before).any():
        return np.inf
    X = np.column_stack([*columns, (~before).astype(float)])[use]
    C, t, before = C[np.ix_(use, use)], t[use], before[use]
    n, p = len(t), X.shape[1] - 1
    L = cholesky(C + 1e-9 * np.trace(C) / n * np.eye(n), lower=True)
    Z = solve_triangular(L, X, lower=True)
    information = np.diag([1e-12, *[1.0] * (p - 1), 0.0])
    first = int(before.sum())
    information += Z[:first].T @ Z[:first]
    for i in range(first, n):
        information += np.outer(Z[i], Z[i])
        nuisance = np.linalg.solve(information[:p, :p] + 1e-12 * np.eye(p), information[:p, p])
        v = information[p, p] - information[p, :p] @ nuisance
        if v > 0 and 1 / np.sqrt(v) <= stream.target:
            return float(t[i] - stream.released)
    return np.inf


def _laws(stream: Stream, t: Floats, index: np.ndarray, before: np.ndarray) -> tuple[Floats, list[Floats]]:
    """Covariance of the readings (n, n) and the columns of what is unknown but the level."""
    inside = stream.inside
    n = len(t)
    kernel = inside["kernel"]
    white = np.correlate(kernel, kernel, "full")[len(kernel) - 1 :]
    white = white / white[0] * inside["sensor"] ** 2
    lag = np.abs(t[:, None] - t[None, :])
    step = round(RATE / stream.rate)
    grid = np.rint(lag * stream.rate).astype(int) * step  # the nominal grid keeps it positive definite
    padded = np.zeros(grid.max() + 1)
    padded[: len(white)] = white[: len(padded)]
    C = padded[grid]
    C[np.diag_indices(n)] += stream.digit**2 * (1 / 12 + 1e-9)
    if inside["autocovariance"] is not None:
        C += inside["autocovariance"][grid]
    columns = [before.astype(float)]
    law = inside["law"]
    if law is not None:
        depth = law["depth"][index] * inside["gate"][index]
        wave = depth * law["wave"][index]
        C += np.outer(wave, wave) * law["depth_sd"] ** 2 * np.exp(-lag / law["depth_time"])
        # the phase is the integral of the rate, whose logarithm wanders
        dt = np.diff(t, prepend=t[0])
        speed = 2 * np.pi * law["rate"][index] * dt
        wander = law["rate_sd"] ** 2 * np.exp(-lag / law["rate_time"]) * np.outer(speed, speed)
        slope = depth * law["slope"][index]
        C += np.cumsum(np.cumsum(wander, 0), 1) * np.outer(slope, slope)
        phase = law["phase"][index]
        for k in (1, 2, 3):
            columns += [depth * np.cos(k * phase), depth * np.sin(k * phase)]
    return C, columns
