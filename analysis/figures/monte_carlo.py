"""Propagation of distributions: the Monte Carlo method of JCGM 101:2008, for any model.

A model is called with a random generator and a number of trials and returns, by name, that many values
of each output quantity. Nothing here knows about magnets.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np
from numpy.typing import ArrayLike

from ..records.arrays import Floats

Model = Callable[[np.random.Generator, int], Mapping[str, Floats]]

COVERAGE = 0.95


@dataclass(frozen=True)
class Summary:
    """What the trials say of one output: mean, standard uncertainty, coverage interval.

    ``missing`` is the fraction of trials in which the output did not exist (NaN); the rest speak for
    those in which it did.
    """

    mean: float
    u: float
    low: float
    high: float
    trials: int
    missing: float = 0.0


def coverage_interval(samples: ArrayLike, coverage: float = COVERAGE) -> tuple[float, float]:
    """The probabilistically symmetric interval that holds the fraction ``coverage`` of ``samples``
    (JCGM 101, 7.7.2): as much probability below as above. NaN for no samples."""
    y = np.sort(np.asarray(samples, float))
    M = len(y)
    if M == 0:
        return (np.nan, np.nan)
    q = min(max(int(coverage * M + 0.5), 1), M)
    r = (M - q) // 2
    return float(y[r]), float(y[min(r + q, M - 1)])


def summarise(samples: ArrayLike, coverage: float = COVERAGE) -> Summary:
    """Mean, standard deviation and coverage interval of the trials (JCGM 101, 7.6 and 7.7)."""
    y = np.asarray(samples, float)
    there = y[np.isfinite(y)]
    if len(there) < 2:
        return Summary(np.nan, np.nan, np.nan, np.nan, len(y), 1.0 - len(there) / max(len(y), 1))
    low, high = coverage_interval(there, coverage)
    missing = 1.0 - len(there) / len(y)
    return Summary(float(there.mean()), float(there.std(ddof=1)), low, high, len(y), missing)


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Half a unit in the last of ``digits`` significant digits of ``u`` (JCGM 101, 7.9.2)."""
    if not u > 0 or not np.isfinite(u):
        return 0.0
    exponent = floor(log10(u)) - digits + 1
    # A value that rounds up to the next power of ten, such as 9.97, has its last digit one place higher.
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def _batch_size(coverage: float = COVERAGE) -> int:
    """Trials in one batch of the adaptive procedure: max(J, 10^4), J >= 100/(1 - p) (JCGM 101, 7.9.4)."""
    return max(ceil(round(100.0 / (1.0 - coverage), 3)), 10_000)


def propagate(
    model: Model,
    seed: int | np.random.SeedSequence = 1,
    *,
    most: int,
    batch: int | None = None,
    digits: int = 2,
    coverage: float = COVERAGE,
) -> dict[str, Floats]:
    """Trials of every output, until the results stand still or there are ``most`` (JCGM 101, 7.9.4).

    After each batch mean, standard uncertainty and both ends of the interval are taken from every batch
    so far; they stand still when twice the standard deviation of each one's average is below the
    numerical tolerance for ``digits`` significant digits of u. ``batch`` is max(J, 10^4) unless given;
    shorter batches only make the look at the spread coarser. Returns name -> trials (t,).
    """
    size = batch or _batch_size(coverage)
    rng = np.random.default_rng(seed)
    batches: list[Mapping[str, Floats]] = []
    history: dict[str, list[tuple[float, float, float, float]]] = {}
    done = 0
    while done < most:
        count = min(size, most - done)
        trials = model(rng, count)
        batches.append(trials)
        done += count
        for name, values in trials.items():
            s = summarise(values, coverage)
            history.setdefault(name, []).append((s.mean, s.u, s.low, s.high))
        if len(batches) > 1 and all(_stands_still(rows, digits) for rows in history.values()):
            break
    names = batches[0].keys() if batches else ()
    return {name: np.concatenate([b[name] for b in batches]) for name in names}


def _stands_still(rows: list[tuple[float, float, float, float]], digits: int) -> bool:
    values = np.array(rows)
    values = values[np.isfinite(values).all(axis=1)]
    if len(values) < 2:
        return len(values) == 0  # an output that never exists has nothing to wait for
    h = len(values)
    tolerance = numerical_tolerance(float(values[:, 1].mean()), digits)
    return bool(np.all(2.0 * values.std(axis=0, ddof=1) / np.sqrt(h) <= tolerance))


def law_of_propagation(sensitivities: ArrayLike, covariance: ArrayLike) -> float:
    """Combined standard uncertainty sqrt(c V c^T) (JCGM 100, 5.2.2); V (k, k), or variances (k,)."""
    c, V = np.asarray(sensitivities, float), np.asarray(covariance, float)
    return float(np.sqrt(c @ V @ c if V.ndim == 2 else c**2 @ V))


def validates(gum: tuple[float, float], monte_carlo: tuple[float, float], u: float, digits: int = 2) -> bool:
    """Whether the law of propagation is good enough here: both interval ends agree with the Monte Carlo
    method's within the numerical tolerance of u (JCGM 101, 8.1)."""
    delta = numerical_tolerance(u, digits)
    return abs(gum[0] - monte_carlo[0]) <= delta and abs(gum[1] - monte_carlo[1]) <= delta
