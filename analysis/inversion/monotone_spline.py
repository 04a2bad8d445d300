"""A branch as a spline that rises: its knots, its smoothing, and the linear problem of its coefficients.

On a branch that starts with the whole sample past its largest field, M is one function of the field each
part of the sample feels: a spline f, linear in its coefficients. It rises (its coefficients do), and is
smoothed through its third derivative or, where it has knees, through its second; through which and how much,
the readings' likelihood says (``reml``). It rises by less than 1/N: a material whose M rises by m' with the
field inside it rises by m'/(1 + N m') with the field that is felt besides its own magnetisation.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from ..records.arrays import Floats, Indices
from .nnls import nnls_within
from .reml import RestrictedLikelihoods, restricted_likelihoods
from .settings import CLOSEST_KNOTS, FARTHEST_KNOTS, KNEES, MARGIN, SMOOTH, SURE_OF_KNEES, WEIGHT_STRIDE

_DEGREE = 3


class MonotoneSpline:
    """The space of splines over the local field at some rows, and its linear problems (``joint_fit``)."""

    knots: Floats
    #: Which derivative it is smoothed through.
    order: int
    #: c = rising @ d, all d but the first not negative and none above its ``most`` (K,): the spline rises,
    #: no more steeply than it may.
    rising: Floats
    most: Floats
    #: The coefficients that were asked for last, their spline and its derivative.
    _asked: tuple[Any, Any, Any]

    def __init__(self, order: int | None = None) -> None:
        """``order``, where it is settled beforehand."""
        self.order, self._settled = order or SMOOTH, order is not None

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
        #: By the derivative, a root of the penalty's inverse (K, K - 3) but for parabolas, which none sees.
        self._bent: dict[int, Floats] = {}
        self._bend: dict[int, Floats] = {}
        for order in (SMOOTH, KNEES):
            root = np.sqrt(share)[:, None] * span**order * of_all.derivative(order)(nodes)
            _, size, axes = np.linalg.svd(root)
            seen = self.size - order
            if order == SMOOTH:
                self._level = axes[seen:].T
            shapes = axes[:seen].T / size[:seen]
            axes, size, _ = np.linalg.svd(shapes - self._level @ (self._level.T @ shapes))
            self._bent[order] = bent = axes[:, : self.size - SMOOTH] * size[: self.size - SMOOTH]
            self._bend[order] = (bent / (bent**2).sum(axis=0)).T
        self.rising = np.tril(np.ones((self.size, self.size)))
        # The slope is a spline of its own, never above the largest of its coefficients.
        apart = self.knots[_DEGREE + 1 : -1] - self.knots[1 : self.size]
        self.most = np.append(np.inf, steepest / _DEGREE * apart)
        self._likely_most = np.zeros(self.size, bool)

    @property
    def bend(self) -> Floats:
        """(K - 3, K): a root of the penalty."""
        return self._bend[self.order]

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
        """The smoothing weight that makes the readings likeliest (``reml``); how likely all splines make them
        settles the ``order``. ``bound``: of splines that rise, else of all. ``X`` (n, K) and ``y`` (n,) in
        standard deviations.

        A knee between two steep and level stretches is followed by a smooth spline only if it may swing to
        both sides of it; one that must not cuts the corner, by many standard deviations.
        """
        tried = {n: restricted_likelihoods(X, y, bent, self._level) for n, bent in self._bent.items()}
        if not self._settled:
            likelier = tried[SMOOTH].least - tried[KNEES].least
            self.order = KNEES if likelier > 2.0 * np.log(SURE_OF_KNEES) else SMOOTH
        found = tried[self.order]
        return self._likeliest(X, y, found) if bound else float(found.weights[found.best])

    def _likeliest(self, X: Floats, y: Floats, found: RestrictedLikelihoods) -> float:
        """The weight at which the readings are likeliest if the spline rises.

        What they leave is then counted as of the best spline that rises (Laplace's approximation, at the
        edge of what is allowed).
        """
        weights, log_det, penalised_rss = found
        best, deviance = np.nan, np.inf
        for i in range(found.best, -1, -WEIGHT_STRIDE):
            if log_det[i] + penalised_rss[i] >= deviance:
                break  # not even a spline that may fall is likelier
            c = self.fit(X, y, weights[i])[0]
            tried = log_det[i] + np.sum((y - X @ c) ** 2) + weights[i] * np.sum((self.bend @ c) ** 2)
            if tried < deviance:
                best, deviance = float(weights[i]), float(tried)
        return best

    def fit(self, X: Floats, y: Floats, weight: float) -> tuple[Floats, Indices]:
        """Coefficients (K,) under the constraint, and which increments are free of it."""
        A = np.vstack([X, np.sqrt(weight) * self.bend]) @ self.rising
        d, self._likely_most = nnls_within(
            A, np.concatenate([y, np.zeros(len(self.bend))]), self.most, self._likely_most
        )
        # Those at their most count as free: held, they let the readings seem to tell more of the bench.
        free = np.flatnonzero((d > 0.0) | (np.arange(len(d)) == 0))
        return self.rising @ d, free

    def answer(self, X: Floats, weight: float, free: Indices) -> Floats:
        """Coefficients by readings (K, n) on the free increments, in standard deviations of the latter."""
        T = self.rising[:, free]
        A, R = X @ T, self.bend @ T
        return T @ np.linalg.lstsq(A.T @ A + weight * R.T @ R, A.T, rcond=1e-13)[0]

    def unseen(self, X: Floats, weight: float, free: Indices) -> Floats:
        """(K, r): what the readings leave unknown of the coefficients, by one standard normal a column: the
        penalty taken as knowledge (``reml``). On all increments, ``free`` or not: that a stretch was
        found to be level does not mean that its slope is known to be nothing."""
        normal = X.T @ X + weight * self.bend.T @ self.bend
        return np.linalg.lstsq(normal, np.sqrt(weight) * self.bend.T, rcond=1e-13)[0]


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
