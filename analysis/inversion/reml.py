"""How smooth a curve is: the weight of a roughness penalty that makes the readings likeliest.

A penalty says of a curve, before any reading, that its coefficients are normally distributed about a smooth
one with a precision of weight times penalty. With the coefficients integrated out the readings have a
likelihood for every weight, greatest where the curve is as rough as they ask for and no rougher
(restricted maximum likelihood: D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320; for splines G. Wahba, Ann.
Statist. 13 (1985) 1378; both from memory). Unlike the misfit and the degrees of freedom, it does not take a
curve through every reading for a good one where readings are few. The same likelihood tells how well
one model of the sample explains the readings beside another with the same penalty.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..records.arrays import Floats
from .settings import LEAST_COLUMN, WEIGHTS


class RestrictedLikelihoods(NamedTuple):
    """Minus twice the logarithm of the readings' likelihood by weight, but for a constant, in two parts.

    ``weights`` (w,) tried, rising; ``log_det`` (w,): a curve that may be rougher could have given many
    other readings as well; ``penalised_rss`` (w,): the least squares and penalty that any curve leaves of
    these."""

    weights: Floats
    log_det: Floats
    penalised_rss: Floats

    @property
    def best(self) -> int:
        """Which weight is the likeliest."""
        return int(np.argmin(self.log_det + self.penalised_rss))

    @property
    def least(self) -> float:
        """Minus twice the logarithm of how likely the readings are at that."""
        return float(np.min(self.log_det + self.penalised_rss))


def restricted_likelihoods(
    X: Floats, y: Floats, shapes: Floats, level: Floats | None = None
) -> RestrictedLikelihoods:
    """How likely the readings are, for every weight.

    ``y`` (n,) the readings in standard deviations and ``X`` (n, K) by coefficient; ``shapes`` (K, r) a root
    of the penalty's inverse, ``level`` (K, l) what is not penalised, of any size.
    """
    rest, fixed = np.eye(len(y)), 0.0
    if level is not None:
        q, r = np.linalg.qr(X @ level, mode="complete")
        rest = q[:, level.shape[1] :].T
        fixed = 2.0 * float(np.sum(np.log(np.abs(np.diag(r)) + 1e-300)))
    A = rest @ (X @ shapes)
    values, vectors = np.linalg.eigh(A @ A.T)
    values = np.maximum(values, 0.0)
    misfit = (vectors.T @ (rest @ y)) ** 2
    weights = max(float(values.max(initial=0.0)), 1e-300) * WEIGHTS
    grown = 1.0 + values / weights[:, None]
    return RestrictedLikelihoods(
        weights, np.sum(np.log(grown), axis=1) + fixed, np.sum(misfit / grown, axis=1)
    )


def main_columns(columns: Floats) -> Floats:
    """Fewer columns (m, s) with the same squares and products of rows, summed, as ``columns`` (m, r)."""
    if not columns.size:
        return columns[:, :0]
    U, size, _ = np.linalg.svd(columns, full_matrices=False)
    kept = size > LEAST_COLUMN * max(size[0], 1e-300)
    return U[:, kept] * size[kept]
