"""The balance's zero as a smooth function of time, with its uncertainty.

The zero is a level, a steady drift, a random walk, and steps where something jumped:

    z(t) = level + drift (t - t0) + wander W(t - t0) + sum of steps,   W a Wiener process

all unknown, with normal distributions before any zero is read. Zeros read in between condition it (a Gaussian
process; on even steps the local level model of J. Durbin and S. J. Koopman, *Time Series Analysis by State
Space Methods*, Oxford 2001, chapter 2, and its smoother). How much it wanders, the zeros themselves tell: the
mean square of it, over what a balance may do beforehand and how likely the zeros then are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records.arrays import Floats
from .settings import DRIFT, LEVEL, USUAL_WANDER, WANDER_FACTOR, WANDERS, ZERO_NODES

_MINUTE = 60.0


@dataclass(frozen=True)
class ZeroStep:
    """A jump of the zero at ``time`` (s), of standard deviation ``u`` (kg) before any zero is read."""

    time: float
    u: float


@dataclass(frozen=True)
class ZeroDrift:
    """What is thought of the zero before any is read; standard deviations in kg, kg/s, and of the random walk
    ``wander`` in kg/sqrt(s); ``start`` the time (s) it begins."""

    start: float
    wander: float
    level: float = LEVEL
    drift: float = DRIFT
    steps: tuple[ZeroStep, ...] = ()

    def wandering(self, over_a_minute: float) -> ZeroDrift:
        """The same with a random walk of this standard deviation (kg) over a minute."""
        return replace(self, wander=over_a_minute / np.sqrt(_MINUTE))

    def covariance(self, a: Floats, b: Floats) -> Floats:
        """Of the zero at times ``a`` (n,) and ``b`` (m,), s: (n, m), kg^2."""
        a, b = a - self.start, b - self.start
        found = self.level**2 + self.drift**2 * np.outer(a, b) + self.wander**2 * np.minimum.outer(a, b)
        for step in self.steps:
            at = step.time - self.start
            found = found + step.u**2 * np.outer(a > at, b > at)
        return found

    def nodes(self, at: Floats) -> Floats:
        """Of times ``at`` (n,), rising, those the zero is worked out at: of many as many as it takes, and
        those on either side of a step. Between two of them a random walk is expected on the line from one
        to the other."""
        steps = np.searchsorted(at, [step.time for step in self.steps], side="right")
        beside = np.clip(np.concatenate([steps - 1, steps]), 0, len(at) - 1)
        even = np.round(np.linspace(0, len(at) - 1, min(len(at), ZERO_NODES)))
        return at[np.unique(np.concatenate([even, beside]).astype(np.intp))]

    def bridged(self, nodes: Floats, at: Floats) -> Floats:
        """The variance (n,), kg^2, of the random walk about the lines between ``nodes``."""
        nodes = np.unique(nodes)
        if len(nodes) < 2:
            return np.zeros(len(at))
        i = np.clip(np.searchsorted(nodes, at, side="right"), 1, len(nodes) - 1)
        before, after = nodes[i - 1], nodes[i]
        return self.wander**2 * np.maximum((at - before) * (after - at), 0.0) / (after - before)


def on_lines(nodes: Floats, values: Floats, at: Floats) -> Floats:
    """``values`` (m, ...) at ``nodes`` (m,) as they are at the times ``at`` (n,) on the lines between: (n,
    ...)."""
    if len(nodes) == len(at):
        return values
    columns = values.reshape(len(nodes), -1).T
    lines = np.array([np.interp(at, nodes, column) for column in columns]).reshape(len(columns), len(at))
    return lines.T.reshape(len(at), *values.shape[1:])


@dataclass(frozen=True, eq=False)
class ZeroReadings:
    """Zeros that were read, or follow from readings: ``time`` (s), ``value`` and ``u`` (kg), all (m,)."""

    time: Floats
    value: Floats
    u: Floats

    def __len__(self) -> int:
        return len(self.time)


@dataclass(frozen=True, eq=False)
class SmoothedZero:
    """The zero at some times: ``mean`` (n,), kg, ``covariance`` (n, n), kg^2."""

    mean: Floats
    covariance: Floats


def smooth(drift: ZeroDrift, zeros: ZeroReadings, at: Floats) -> SmoothedZero:
    """The zero at the times ``at`` (n,), s, by all ``zeros``, earlier and later ones."""
    if not len(zeros):
        return SmoothedZero(np.zeros(len(at)), drift.covariance(at, at))
    gain = np.linalg.solve(_observed(drift, zeros), drift.covariance(zeros.time, at)).T
    covariance = drift.covariance(at, at) - gain @ drift.covariance(zeros.time, at)
    return SmoothedZero(gain @ zeros.value, 0.5 * (covariance + covariance.T))


def deviance(drift: ZeroDrift, zeros: ZeroReadings) -> float:
    """Minus twice the logarithm of how likely the ``zeros`` are, but for a constant."""
    spread = np.linalg.cholesky(_observed(drift, zeros))
    white = np.linalg.solve(spread, zeros.value)
    return 2.0 * float(np.sum(np.log(np.diag(spread)))) + float(white @ white)


def chance_of_wander(part: float) -> float:
    """Logarithm of how likely a wandering over a minute, by a reading's uncertainty, is beforehand."""
    return -0.5 * float(np.log(part / USUAL_WANDER) / np.log(WANDER_FACTOR)) ** 2


def with_wander(drift: ZeroDrift, zeros: ZeroReadings) -> ZeroDrift:
    """The same with the mean square of the random walk that the ``zeros`` leave likely."""
    if not len(zeros):
        return drift
    unit = float(np.median(zeros.u))
    tried = [drift.wandering(unit * part) for part in WANDERS]
    chance = np.array([-0.5 * deviance(each, zeros) for each in tried])
    chance += [chance_of_wander(part) for part in WANDERS]
    weight = np.exp(chance - chance.max())
    square = float(weight @ np.array([each.wander**2 for each in tried]) / weight.sum())
    return replace(drift, wander=float(np.sqrt(square)))


def _observed(drift: ZeroDrift, zeros: ZeroReadings) -> Floats:
    return drift.covariance(zeros.time, zeros.time) + np.diag(zeros.u**2)


def main_root(covariance: Floats, least: float) -> tuple[Floats, Floats]:
    """A root (n, r) of a covariance but for what is less than ``least`` everywhere, and the variance (n,)
    left out."""
    size, vectors = np.linalg.eigh(covariance)
    columns = vectors * np.sqrt(np.maximum(size, 0.0))
    kept = columns[:, np.abs(columns).max(axis=0, initial=0.0) > least]
    left = np.maximum(np.diag(covariance) - (kept**2).sum(axis=1), 0.0)
    return kept[:, ::-1], left
