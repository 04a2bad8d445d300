"""A branch as a spline that rises: its knots, its smoothing, and the linear problem of its coefficients.

On a branch that starts with the whole sample past its largest field, M is one function of the field each
part of the sample feels: a spline f, linear in its coefficients. It rises (its coefficients do), and is
smoothed through its third derivative, as one that is smooth everywhere, and through its second, as one with
knees: the mean of both by how likely they make the readings (``reml``), which say how much either is smoothed
too. It rises by less than 1/N: a material whose M rises by m' with the
field inside it rises by m'/(1 + N m') with the field that is felt besides its own magnetisation.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from ..records.arrays import Bools, Floats
from .nnls import nnls_within
from .reml import RestrictedLikelihoods, restricted_likelihoods
from .settings import CLOSEST_KNOTS, FARTHEST_KNOTS, KNEES, MARGIN, SMOOTH, UNLIKELY, WEIGHT_STRIDE

_DEGREE = 3


class Order(NamedTuple):
    """One derivative that a branch may be smoothed through: its ``share``, by how likely it makes the
    readings, and its smoothing ``weight`` by that of the likeliest."""

    share: float
    weight: float


class MonotoneSpline:
    """The space of splines over the local field at some rows, and its linear problems (``joint_fit``)."""

    knots: Floats
    #: By the derivative that it is smoothed through: how likely that is, and its weight by the likeliest's.
    orders: dict[int, Order]
    #: c = rising @ d, all d but the first not negative and none above its ``most`` (K,): the spline rises,
    #: no more steeply than it may.
    rising: Floats
    most: Floats
    #: By order, as last found: coefficients, and which increments (K,) are at their most.
    _each: dict[int, Floats]
    _likely_most: dict[int, Bools]
    #: The coefficients that were asked for last, their spline and its derivative.
    _asked: tuple[Any, Any, Any]

    def __init__(self, orders: dict[int, Order] | None = None) -> None:
        """``orders``, where they are settled beforehand."""
        self.orders, self._settled = orders or {SMOOTH: Order(1.0, 1.0)}, orders is not None

    def begin(
        self,
        H_local: Floats,
        pull: Floats,
        steepest: float = np.inf,
        felt: float = 0.0,
        M: Floats | None = None,
    ) -> None:
        """Knots for rows whose nodes feel ``H_local`` (n, q), A/m, and count ``pull`` (n, q); f may rise by
        ``steepest`` at most."""
        from scipy.interpolate import BSpline

        low, high = float(H_local.min()), float(H_local.max())
        margin = MARGIN * (high - low)
        low, high = low - margin, high + margin
        weight = np.abs(pull)
        breaks = _breaks((weight * H_local).sum(axis=1) / weight.sum(axis=1), low, high)
        self.knots = np.concatenate([[low] * _DEGREE, breaks, [high] * _DEGREE])
        self.size, self._asked = len(self.knots) - _DEGREE - 1, (None, None, None)
        span, widths = high - low, np.diff(breaks)
        # Straight between two knots at most: two places in each are enough for the integral of its square.
        nodes = (breaks[:-1] + widths * (0.5 + np.array([[-1.0], [1.0]]) / np.sqrt(12.0))).ravel()
        share, of_all = np.tile(widths, 2) / (2.0 * span), BSpline(self.knots, np.eye(self.size), _DEGREE)
        #: By the derivative a root of the penalty (K - 3, K), and of its inverse (K, K - 3), no parabolas.
        self.bend: dict[int, Floats] = {}
        self._bent: dict[int, Floats] = {}
        for order in (SMOOTH, KNEES):
            root = np.sqrt(share)[:, None] * span**order * of_all.derivative(order)(nodes)
            _, size, axes = np.linalg.svd(root, full_matrices=False)
            seen = self.size - order
            if order == SMOOTH:
                self._level = axes[seen:].T
            shapes = axes[:seen].T / size[:seen]
            axes, size, _ = np.linalg.svd(shapes - self._level @ (self._level.T @ shapes))
            self._bent[order] = bent = axes[:, : self.size - SMOOTH] * size[: self.size - SMOOTH]
            self.bend[order] = (bent / (bent**2).sum(axis=0)).T
        self.rising = np.tril(np.ones((self.size, self.size)))
        # The slope is a spline of its own, never above the largest of its coefficients.
        apart = self.knots[_DEGREE + 1 : -1] - self.knots[1 : self.size]
        self.most = np.append(np.inf, steepest / _DEGREE * apart)
        self._likely_most = {order: np.zeros(self.size, bool) for order in self.bend}

    def inside(self, u: Floats) -> Floats:
        """Beyond its knots the branch goes on level."""
        return np.clip(u, self.knots[0], self.knots[-1])

    def basis(self, u: Floats) -> Any:
        """Sparse (u.size, K): every coefficient's part in f at ``u``."""
        from scipy.interpolate import BSpline

        return BSpline.design_matrix(self.inside(u).ravel(), self.knots, _DEGREE)

    def turned(self, H_local: Floats, M: Floats) -> bool:
        """Never: a branch has no turns."""
        return False

    def state(self, c: Floats, H_local: Floats) -> tuple[Floats, Floats]:
        """f and df/du at ``H_local`` (...), A/m."""
        from scipy.interpolate import BSpline

        if self._asked[0] is not c:  # asked several times of the same coefficients, until all parts agree
            spline = BSpline(self.knots, c, _DEGREE)
            self._asked = c, spline, spline.derivative()
        _, value, slope = self._asked
        within = (H_local >= self.knots[0]) & (H_local <= self.knots[-1])
        u = self.inside(H_local)
        return value(u), np.where(within, slope(u), 0.0)

    def changes(self, c: Floats, H_local: Floats, slope: Floats, by: Floats) -> Floats:
        """Change of f (k, n, q) where what the nodes feel changes by each of ``by`` (k, n, q)."""
        return slope * by

    def design(self, H_local: Floats, weights: Floats, around: tuple[Floats, Floats] | None = None) -> Floats:
        """(n, K): rows of ``weights`` (n, q) applied to the basis at the nodes."""
        from scipy.sparse import csr_matrix

        n, q = weights.shape
        layout = (np.arange(n * q), np.arange(0, n * q + 1, q))
        rows: Any = csr_matrix((weights.ravel(), *layout), shape=(n, n * q))
        return (rows @ self.basis(H_local)).toarray()

    def smoothing(self, X: Floats, y: Floats, bound: bool = True) -> float:
        """The smoothing weight that makes the readings likeliest (``reml``), of the likeliest of the
        ``orders``, which it settles too. ``bound``: of splines that rise, else of all. ``X`` (n, K) and ``y``
        (n,) in standard deviations.

        A knee between two steep and level stretches is followed by a smooth spline only if it may swing to
        both sides of it; one that must not cuts the corner, by many standard deviations.
        """
        tried = self.orders if self._settled else self._bent
        found = {order: restricted_likelihoods(X, y, self._bent[order], self._level) for order in tried}
        weights, deviances, enough = {}, {}, np.inf
        for order in sorted(found, key=lambda order: found[order].least):
            if bound:
                weights[order], deviances[order] = self._likeliest(X, y, order, found[order], enough)
            else:
                weights[order], deviances[order] = found[order].weights[found[order].best], found[order].least
            if not self._settled:
                enough = min(enough, deviances[order] - 2.0 * np.log(UNLIKELY))
        best = min(deviances, key=deviances.__getitem__)
        shares = {n: float(np.exp(0.5 * (deviances[best] - d))) for n, d in deviances.items() if d < enough}
        if self._settled:
            shares = {order: by.share for order, by in self.orders.items()}
            best = max(shares, key=shares.__getitem__)
        total = sum(shares.values())
        self.orders = {n: Order(share / total, weights[n] / weights[best]) for n, share in shares.items()}
        return float(weights[best])

    def _likeliest(
        self, X: Floats, y: Floats, order: int, found: RestrictedLikelihoods, enough: float
    ) -> tuple[float, float]:
        """The weight at which the readings are likeliest if the spline rises, and -2 log of how likely;
        infinite where that is ``enough`` or more.

        What they leave is then counted as of the best spline that rises (Laplace's approximation, at the
        edge of what is allowed).
        """
        weights, log_det, penalised_rss = found
        best, deviance = np.nan, enough
        for i in range(found.best, -1, -WEIGHT_STRIDE):
            if log_det[i] + penalised_rss[i] >= deviance:
                break  # not even a spline that may fall is likelier
            c = self.rising @ self._increments(X, y, order, weights[i])
            bend = self.bend[order] @ c
            tried = log_det[i] + np.sum((y - X @ c) ** 2) + weights[i] * np.sum(bend**2)
            if tried < deviance:
                best, deviance = float(weights[i]), float(tried)
        return best, deviance if np.isfinite(best) else np.inf

    def _increments(self, X: Floats, y: Floats, order: int, weight: float) -> Floats:
        """Those (K,) of the best spline that rises, smoothed through one derivative."""
        bend = self.bend[order]
        A = np.vstack([X, np.sqrt(weight) * bend]) @ self.rising
        b, likely = np.concatenate([y, np.zeros(len(bend))]), self._likely_most[order]
        found, self._likely_most[order] = nnls_within(A, b, self.most, likely)
        return found

    def fit(self, X: Floats, y: Floats, weight: float) -> tuple[Floats, dict[int, Bools]]:
        """Coefficients (K,) under the constraint, the mean over the ``orders``, and by each which increments
        (K,) are free of it."""
        increments = {n: self._increments(X, y, n, weight * by.weight) for n, by in self.orders.items()}
        self._each = {order: self.rising @ d for order, d in increments.items()}
        # Those at their most count as free: held, they let the readings seem to tell more of the bench.
        free = {order: (d > 0.0) | (np.arange(len(d)) == 0) for order, d in increments.items()}
        return self._mean, free

    @property
    def _mean(self) -> Floats:
        """Of what the orders were last found to give."""
        return np.sum([by.share * self._each[order] for order, by in self.orders.items()], axis=0)

    def could_be_free(self, free: dict[int, Bools]) -> dict[int, Bools]:
        """All of every order: a stretch that was found to be level could have been another."""
        return {}

    def answer(self, X: Floats, weight: float, free: dict[int, Bools]) -> Floats:
        """Coefficients by readings (K, n) on the ``free`` increments, or of an order that is not among these
        on all, in standard deviations of the readings."""
        total = np.zeros((self.size, len(X)))
        for order, by in self.orders.items():
            T = self.rising[:, free[order]] if order in free else self.rising
            A, R = X @ T, self.bend[order] @ T
            normal = A.T @ A + weight * by.weight * R.T @ R
            total += by.share * (T @ np.linalg.lstsq(normal, A.T, rcond=1e-13)[0])
        return total

    def unseen(self, X: Floats, weight: float, free: dict[int, Bools]) -> Floats:
        """(K, r): what the readings leave unknown of the coefficients, by one standard normal a column: each
        penalty taken as knowledge (``reml``), on all increments, and which of the ``orders``; of normal
        distributions, cut off where a spline that rises cannot be."""
        columns = []
        for order, by in self.orders.items():
            bend, w = self.bend[order], weight * by.weight
            left = np.linalg.lstsq(X.T @ X + w * bend.T @ bend, np.sqrt(w) * bend.T, rcond=1e-13)[0]
            columns += [np.sqrt(by.share) * np.column_stack([left, self._each[order] - self._mean])]
        unseen = np.hstack(columns)
        return (
            unseen * _cut(0.5 * self._room(X) / np.maximum(np.linalg.norm(unseen, axis=1), 1e-300))[:, None]
        )

    def _room(self, X: Floats) -> Floats:
        """How much the readings leave to each coefficient (K,), as they rise: what one reads, a mean of some,
        is no less than the first of these and no more than the last."""
        lowest, highest = np.full(self.size, -np.inf), np.full(self.size, np.inf)
        X = X[X.sum(axis=1) != 0.0]
        for row in X / X.sum(axis=1, keepdims=True):
            mean = row @ self._mean
            # Over a hole parts may pull either way, and what is read is no mean.
            if row.min() >= -1e-6:
                told = np.flatnonzero(row > 1e-6)
                lowest[told[-1] :] = np.maximum(lowest[told[-1] :], mean)
                highest[: told[0] + 1] = np.minimum(highest[: told[0] + 1], mean)
        return np.maximum(highest - lowest, 0.0)


def _cut(half: Floats) -> Floats:
    """Standard deviations of standard normals that are cut off ``half`` from their middle, on either side."""
    from scipy.special import erf

    a = np.clip(half, 1e-3, 10.0)
    left = 1.0 - np.sqrt(2.0 / np.pi) * a * np.exp(-0.5 * a**2) / erf(a / np.sqrt(2.0))
    return np.where(half < a, half / np.sqrt(3.0), np.sqrt(left))


def _breaks(data: Floats, low: float, high: float) -> Floats:
    """Knots at the data, thinned and filled to the allowed spacing."""
    span = high - low
    kept = [low]
    for u in np.sort(data):
        if u - kept[-1] > CLOSEST_KNOTS * span and high - u > CLOSEST_KNOTS * span:
            kept.append(u)
    kept.append(high)
    pieces = [
        np.linspace(a, b, max(1, int(np.ceil((b - a) / (FARTHEST_KNOTS * span)))) + 1)[1:]
        for a, b in pairwise(kept)
    ]
    return np.concatenate([[low], *pieces])
