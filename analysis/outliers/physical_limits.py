"""What M may do on a branch, and how far a table of readings breaks it.

On a branch M only falls (or only rises), and no faster than its own demagnetising field allows:
dM/dH_applied = chi / (1 + N chi) lies between 0 and 1/N. The mean method's M is good enough to look.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..forces.branches import Arrangement
from ..magnetostatics import quadrature
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..records.arrays import Floats
from ..records.bench import Bench
from .settings import COARSENESS, STEEPER, SURE, UNEVEN


@dataclass(frozen=True)
class Limits:
    """What M may do on a branch: how far off a row may be (``slack``, A/m, one a row), the steepest
    slope dM/dH_applied, and the scale of M. ``sees`` (n,): rows whose M by the mean method means anything."""

    slack: Floats
    steepest: float
    scale: float
    sees: NDArray[np.bool_]

    def chains(self, arranged: Arrangement) -> list[NDArray[np.int64]]:
        """The branches as walked (``Arrangement.chains``), without the rows that tell nothing."""
        chains = [rows[self.sees[rows]] for _name, rows in arranged.chains()]
        return [rows for rows in chains if len(rows)]


def limits_of(arranged: Arrangement, bench: Bench) -> Limits:
    """Limits from the bench, and the scale of M from the rows in use."""
    used = arranged.points.used
    uneven = _unevenness(arranged, bench)
    sees = uneven < UNEVEN
    # A high quantile and not the largest: one slip must not set the scale it is judged by.
    informative = used & sees if (used & sees).any() else used
    scale = float(np.quantile(np.abs(arranged.M[informative]), 0.8))
    u_M = np.abs(arranged.M_slope) * arranged.zeros.u_change
    slack = COARSENESS * scale * (1.0 + uneven**2) + SURE * u_M
    return Limits(slack, 1.0 / demagnetising_factor(bench.sample).axial, scale, sees)


def _unevenness(arranged: Arrangement, bench: Bench) -> Floats:
    """Spread of the gradient inside the sample by its mean, (n,): where it is large the pulls on the
    sample's layers nearly cancel (over a ring), and the mean method says little."""
    gaps, where = np.unique(arranged.points.gap, return_inverse=True)
    layers = quadrature.layers(bench.reference_magnet, bench.sample, gaps)
    mean = layers.dBz @ layers.weights
    spread = np.sqrt(np.maximum(layers.dBz**2 @ layers.weights - mean**2, 0.0))
    return (spread / np.abs(mean))[where]


def direction(arranged: Arrangement, rows: list[int] | NDArray[np.int64]) -> float:
    """+1 where M rises along the chain, -1 where it falls."""
    return float(np.sign(arranged.H[rows[-1]] - arranged.H[rows[0]])) or 1.0


def violation(M: Floats, H: Floats, sign: float, limits: Limits, slack: Floats) -> Floats:
    """By how much each step along a chain breaks the limits (A/m, 0 where it does not): (k - 1,).
    Negative for a step the wrong way, positive for one too steep."""
    step, allowed = sign * np.diff(M), limits.steepest * np.abs(np.diff(H))
    # 1/N is rigorous for a sample magnetised evenly; by the mean method a steep branch looks steeper yet.
    both = np.maximum(slack[1:], slack[:-1])
    return np.minimum(step + both, 0.0) + np.maximum(step - STEEPER * allowed - both, 0.0)


def total_violation(arranged: Arrangement, M: Floats, limits: Limits) -> float:
    """By how much all branches together break the limits, A/m."""
    total = 0.0
    for rows in limits.chains(arranged):
        if len(rows) > 1:
            sign = direction(arranged, rows)
            total += float(
                np.abs(violation(M[rows], arranged.H[rows], sign, limits, limits.slack[rows])).sum()
            )
    return total


def roughness(M: Floats, H: Floats) -> float:
    """How far the rows of a branch lie off the lines between their neighbours, summed, A/m."""
    if len(M) < 3:
        return 0.0
    width = H[2:] - H[:-2]
    part = np.divide(H[1:-1] - H[:-2], width, out=np.full(len(width), 0.5), where=width != 0)
    return float(np.abs(M[1:-1] - (1 - part) * M[:-2] - part * M[2:]).sum())


def whole_roughness(arranged: Arrangement, M: Floats, limits: Limits) -> float:
    """``roughness`` of all branches together, A/m."""
    return sum(roughness(M[rows], arranged.H[rows]) for rows in limits.chains(arranged))


def jumps(arranged: Arrangement, limits: Limits, last: int, first: int, sign: float = 1.0) -> bool:
    """Whether M jumps across a turn-over, from the ``last`` row out to the ``first`` row in, by more than
    the sample's own field lets it."""
    H, M = arranged.H, arranged.M
    slack = limits.slack[first] + limits.slack[last] + 0.1 * limits.scale
    return bool(abs(M[first] - sign * M[last]) - limits.steepest * abs(H[first] - sign * H[last]) > slack)
