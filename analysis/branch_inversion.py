"""From forces on one branch to the material's magnetisation: a monotone, smoothed spline.

On a branch that starts with the whole sample past its largest field, M is one function of the field each
part of the sample feels, so the force at gap k is F_k = sum_j pull_kj f(u_kj): linear in the coefficients
of a spline f. The spline rises (its coefficients do), and is smoothed through its third derivative; how
much is chosen by generalised cross-validation (P. Craven, G. Wahba, Numer. Math. 31 (1979) 377), with the
degrees of freedom counted 1.2-fold against under-smoothing on short series.

The sample's own field is the second half of the problem. A uniformly magnetised body feels -N M. Where M
differs from part to part, two limits can be calculated: each part feels its own magnetisation, -N M(r)
(thin or short bodies), or all feel the average, -N <M>. With u = H - (N - own_field) <M> and the internal
field h = u - own_field f(u), both are one problem: own_field = N is the first limit and needs no
iteration, own_field = 0 is the second and is iterated. Which one holds is for the data to
say (`evidence`); the interaction of real layers lies near the first (the tests' second model).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .local_field import LocalField
from .loop import Curve, Floats
from .points import Branch

#: Fewest rows a spline is fitted to: below, the plain mean is the honest answer.
LEAST_ROWS = 6

#: Relative standard deviation of a force beyond its reading's own uncertainty: the gap's repeatability
#: (0.3 um at a gradient of 10 % per mm) and the quadrature. Our choice, from trials.
_MODEL_SPREAD = 3e-4

#: Knots no closer than this part of the range of field, none farther apart than that.
_CLOSEST, _FARTHEST = 1 / 300, 1 / 50

#: Rounds between the mean and the spline, and how well (by the largest M) they must agree.
_ROUNDS, _AGREED = 40, 2e-5

#: Each degree of freedom counts this much in cross-validation.
DEGREES_WEIGHT = 1.2
_DEGREE = 3


@dataclass(frozen=True, eq=False)
class BranchFit:
    """A fitted branch; arrays over its rows (n,), K coefficients.

    ``coefficient_map`` (K, n): coefficients answer to forces, active constraints and smoothing frozen.
    ``M`` (n,) is the volume mean at each row, ``M_map`` (n, n) its answer to the forces. ``chi_square``
    counts in standard uncertainties; ``degrees`` are the degrees of freedom the fit used; ``held_out`` is
    the mean square of the leave-one-out residuals in standard uncertainties, constraints frozen.
    """

    knots: Floats
    coefficients: Floats
    coefficient_map: Floats
    N: float
    own_field: float
    smoothing: float
    M: Floats
    M_map: Floats
    residual: Floats
    chi_square: float
    degrees: float
    held_out: float

    @property
    def reduced_chi_square(self) -> float:
        """chi-square per degree of freedom left."""
        return self.chi_square / max(len(self.M) - self.degrees, 1.0)

    def curve(self, branch: Branch, H_applied: Floats) -> Curve:
        """The material's M where the applied field is ``H_applied`` (m,), with its maps.

        ``u_model`` is the smoothing's bias: what a second fit to the first one's forces changes.
        """
        from scipy.interpolate import BSpline

        others = self.N - self.own_field
        spline = BSpline(self.knots, self.coefficients, _DEGREE)
        # u + others * f(u) rises strictly, so its inverse is an interpolation.
        u = np.linspace(self.knots[0], self.knots[-1], 2000)
        u = np.interp(H_applied, u + others * spline(u), u) if others else _inside(H_applied, self.knots)
        slope = spline.derivative()(u)
        basis = BSpline.design_matrix(u, self.knots, _DEGREE).toarray()
        force_map = basis @ self.coefficient_map / (1.0 + others * slope)[:, None]
        return Curve(branch, H_applied, spline(u), self.N, force_map, np.abs(force_map @ self.residual))


def weighing_spread(force: Floats, u_force: Floats) -> Floats:
    """Standard deviation a fit may expect of each force, N: its reading's and the bench's repeatability."""
    own = np.where(np.isfinite(u_force), u_force, 0.0)
    least = 1e-6 * np.abs(force).max() if len(force) else 0.0
    return np.maximum(np.hypot(own, _MODEL_SPREAD * force), max(least, 1e-12))


def fit_branch(
    field: LocalField,
    force: Floats,
    u_force: Floats,
    own_field: float | None = None,
    *,
    smoothing: float | None = None,
    M: Floats | None = None,
) -> BranchFit:
    """Fit one branch: ``field`` of its rows, ``force`` and ``u_force`` (n,) in N.

    ``own_field`` between 0 and N (default N); ``smoothing`` the weight found before, else chosen; ``M``
    (n,) a first guess of the volume means.
    """
    problem = _Branch(field, force, u_force, field.N if own_field is None else own_field)
    return problem.solve(smoothing, M)


def _inside(u: Floats, knots: Floats) -> Floats:
    """Beyond its knots the branch goes on level."""
    return np.clip(u, knots[0], knots[-1])


def _breaks(data: Floats, low: float, high: float) -> Floats:
    """Knots at the data, thinned and filled to the allowed spacing."""
    span = high - low
    kept = [low]
    for u in np.sort(data):
        if u - kept[-1] > _CLOSEST * span and high - u > _CLOSEST * span:
            kept.append(u)
    kept.append(high)
    pieces = [
        np.linspace(a, b, max(1, int(np.ceil((b - a) / (_FARTHEST * span)))) + 1)[1:]
        for a, b in pairwise(kept)
    ]
    return np.concatenate([[low], *pieces])


class _Branch:
    """The working quantities of one fit."""

    def __init__(self, field: LocalField, force: Floats, u_force: Floats, own_field: float) -> None:
        from scipy.interpolate import BSpline
        from scipy.sparse import csr_matrix

        self.field, self.force, self.own_field = field, force, own_field
        self.sigma = weighing_spread(force, u_force)
        self.others = field.N - own_field
        self.pull = field.pull_mean
        self.M_plain = force / self.pull
        u = field.H - self.others * self.M_plain[:, None]
        low, high = float(u.min()), float(u.max())
        if self.others:
            margin = 0.02 * (high - low)
            low, high = low - margin, high + margin
        weight = np.abs(field.pull)
        breaks = _breaks((weight * u).sum(axis=1) / weight.sum(axis=1), low, high)
        self.knots = np.concatenate([[low] * _DEGREE, breaks, [high] * _DEGREE])
        self.size = len(self.knots) - _DEGREE - 1
        span, widths = high - low, np.diff(breaks)
        third = BSpline(self.knots, np.eye(self.size), _DEGREE).derivative(3)(breaks[:-1] + 0.5 * widths)
        self.roughness = third * (np.sqrt(widths / span) * span**3)[:, None]
        n, q = field.H.shape
        layout = (np.arange(n * q), np.arange(0, n * q + 1, q))
        self._pull: Any = csr_matrix((field.pull.ravel(), *layout), shape=(n, n * q))
        self._weights: Any = csr_matrix((np.tile(field.weights, n), *layout), shape=(n, n * q))
        #: c = rising @ d, all d but the first not negative: the spline rises.
        self.rising = np.tril(np.ones((self.size, self.size)))

    def solve(self, smoothing: float | None, guess: Floats | None) -> BranchFit:
        """Fit; where parts feel the others' mean, the mean and the spline in turn until they agree.

        <M> is anchored to the reading, M = F / pull + (what the spline says of mean less pulled M), which
        is stable on branches steeper than 1/N. A force's error then shifts its row's u as well; near a
        steep part it counts (1 + others * slope) times.
        """
        M = self.M_plain if guess is None else guess
        amplified, c, free, weight = np.ones(len(self.force)), None, None, smoothing or 0.0
        for _ in range(_ROUNDS if self.others else 1):
            design, mean = self._designs(M)
            if c is not None:
                amplified = 1.0 + self.others * self._slope(c, M)
            spread = self.sigma * amplified
            if smoothing is None:
                weight = self._choose(design, spread)
            c, free = self._rising_fit(design, spread, weight)
            anchored = self.M_plain + mean @ c - design @ c / self.pull
            change, M = np.abs(anchored - M).max(), 0.5 * (anchored + M) if self.others else M
            if change < _AGREED * np.abs(M).max():
                break
        assert c is not None
        assert free is not None
        design, mean = self._designs(M)
        coefficient_map, hat = self._answer(design, self.sigma * amplified, weight, free)
        coefficient_map = coefficient_map * amplified
        fit = design @ c
        residual = (self.force - fit) / amplified
        difference = mean - design / self.pull[:, None]
        M_map = mean @ coefficient_map
        M = mean @ c
        if self.others:
            M = self.M_plain + difference @ c - residual / self.pull
            M_map = difference @ coefficient_map + np.diag(1.0 / self.pull)
        return BranchFit(
            self.knots,
            c,
            coefficient_map,
            self.field.N,
            self.own_field,
            weight,
            M,
            M_map,
            residual,
            float(np.sum((residual / self.sigma) ** 2)),
            float(hat.sum()),
            float(np.mean((residual / self.sigma / np.maximum(1.0 - hat, 0.05)) ** 2)),
        )

    def _designs(self, M: Floats) -> tuple[Floats, Floats]:
        """(n, K): force and volume mean of M by coefficient, <M> given."""
        from scipy.interpolate import BSpline

        u = _inside(self.field.H - self.others * M[:, None], self.knots)
        basis: Any = BSpline.design_matrix(u.ravel(), self.knots, _DEGREE)
        return (self._pull @ basis).toarray(), (self._weights @ basis).toarray()

    def _slope(self, c: Floats, M: Floats) -> Floats:
        """df/du where each row pulls, (n,)."""
        from scipy.interpolate import BSpline

        u = _inside(self.field.H - self.others * M[:, None], self.knots)
        return (self.field.pull * BSpline(self.knots, c, _DEGREE).derivative()(u)).sum(axis=1) / self.pull

    # -- the linear problem

    def _choose(self, design: Floats, spread: Floats) -> float:
        """Smoothing weight by generalised cross-validation, constraints left aside."""
        X, y = design / spread[:, None], self.force / spread
        normal, rough = X.T @ X, self.roughness.T @ self.roughness
        scale = np.trace(normal) / np.trace(rough)
        n, best = len(y), (np.inf, scale * 1e-6)
        for weight in scale * 10.0 ** np.arange(-14.0, 1.1, 0.5):
            A = normal + weight * rough
            A[np.diag_indices_from(A)] += 1e-13 * np.trace(A) / len(A)
            inverse = np.linalg.inv(A)
            left = n - DEGREES_WEIGHT * float(np.sum(inverse * normal))
            if left < 0.15 * n:
                continue
            misfit = y - X @ (inverse @ (X.T @ y))
            score = n * float(misfit @ misfit) / left**2
            if score < best[0]:
                best = (score, weight)
        return float(best[1])

    def _rising_fit(self, design: Floats, spread: Floats, weight: float) -> tuple[Floats, NDArray[np.intp]]:
        """Coefficients under the constraint, and which increments are free of it."""
        from scipy.optimize import nnls

        A = np.vstack([design / spread[:, None], np.sqrt(weight) * self.roughness]) @ self.rising
        b = np.concatenate([self.force / spread, np.zeros(len(self.roughness))])
        # The first coefficient may have either sign: the difference of two that may not.
        d, _ = nnls(np.hstack([A, -A[:, :1]]), b, maxiter=50 * A.shape[1])
        d[0] -= d[-1]
        d = d[:-1]
        free = np.flatnonzero((d > 0.0) | (np.arange(len(d)) == 0))
        return self.rising @ d, free

    def _answer(
        self, design: Floats, spread: Floats, weight: float, free: NDArray[np.intp]
    ) -> tuple[Floats, Floats]:
        """Coefficients by force (K, n) on the free increments, and the hat matrix's diagonal (n,)."""
        T = self.rising[:, free]
        X = design @ T / spread[:, None]
        R = self.roughness @ T
        solved = np.linalg.lstsq(X.T @ X + weight * R.T @ R, X.T, rcond=1e-13)[0]
        return T @ solved / spread, np.sum(X * solved.T, axis=1)
