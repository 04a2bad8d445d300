"""From forces to magnetisation where the sample does not saturate: a density of hysterons.

Where each part of the sample has turned at its own largest field, M is no longer one function of the field.
But if the material is a set of hysterons, each turned up at a field alpha and down at beta <= alpha
(Preisach), the state of every part follows from its own field history, and every force is linear in the
density over (alpha, beta). The density is not negative, symmetric (alpha, beta) <-> (-beta, -alpha) as the
material knows no up or down, and smooth: non-negative least squares with a curvature penalty whose weight
generalised cross-validation chooses. The loop of a uniform field then follows from the density.

Between two turning points of the history M changes by twice the Everett function, the density's integral
over the triangle they span (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518, from memory); a part's
surviving turning points are those of the mean field (wiping-out), each with the part's own value.

The sample's own field is treated as in ``branch_inversion``: hysterons answer to
u = H - (N - own_field) <M>.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .branch_inversion import DEGREES_WEIGHT, weighing_spread
from .hysteron_history import RAMPS, Medium, Past, columns, grid
from .local_field import LocalField
from .loop import Curve, Floats
from .points import Branch

#: Weight of plain size beside curvature in the penalty: keeps what no force sees from wandering.
_SIZE = 1e-4
_ROUNDS, _AGREED = 25, 1e-4
#: A sample whose first M is below this part of the largest counts as virgin.
_UNMAGNETISED = 0.05
#: Steady fields tried for a sample magnetised before, by N times its largest M; rounds of refinement.
_BIASES, _BIAS_ROUNDS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4), 4
#: Fewest used rows a density is fitted to.
LEAST_ROWS = 20


@dataclass(frozen=True, eq=False)
class DensityFit:
    """A fitted density; arrays over all n rows of the run, K columns.

    ``masses`` (K,) in A/m. ``free`` are the columns not held at zero. ``mass_map`` (K, n): masses answer
    to forces. ``M``, ``M_map`` the volume mean at every row and its answer; ``residual`` (n,) in N, 0 where
    a row was not fitted (``fitted``). ``held_out`` is the mean square of the leave-one-out residuals in
    standard uncertainties, constraints frozen.
    """

    masses: Floats
    free: NDArray[np.intp]
    mass_map: Floats
    N: float
    own_field: float
    smoothing: float
    start: float
    bias: float
    largest: float
    fitted: NDArray[np.intp]
    u: Floats
    past: Past
    M: Floats
    M_map: Floats
    residual: Floats
    chi_square_rows: Floats
    degrees: float
    held_out: float

    @property
    def reduced_chi_square(self) -> float:
        """chi-square per degree of freedom left."""
        return float(self.chi_square_rows.sum() / max(len(self.fitted) - self.degrees, 1.0))

    def curve(self, branch: Branch, row: int, weights: Floats, H_applied: Floats) -> Curve:
        """The branch that ``row`` lies on, of a sample in a uniform field, where the applied field is
        ``H_applied`` (m,). ``weights`` (q,) average what the run's nodes felt at its turning points."""
        others, medium, felt = self.N - self.own_field, Medium(self.largest), self.u @ weights
        u, slope = H_applied + self.bias, np.zeros(len(H_applied))
        if others:
            fine = np.linspace(-self.largest, self.largest, 8 * grid().cells + 1)
            M = np.maximum.accumulate(self.past.uniform(medium, row, felt, fine) @ self.masses)
            u = np.interp(H_applied + self.bias, fine + others * M, fine)
            slope = np.interp(u, fine, np.gradient(M, fine))
        design = self.past.uniform(medium, row, felt, u)
        force_map = design @ self.mass_map / (1.0 + others * slope)[:, None]
        bias = np.abs(force_map @ self.residual)
        return Curve(branch, H_applied, design @ self.masses, self.N, force_map, bias)


@lru_cache(maxsize=2)
def _penalties() -> tuple[Floats, Floats, Floats]:
    """Second differences (rows, K) of all columns that have neighbours, the penalty (K, K), its inverse."""
    g = grid()
    inside, pairs = len(g.area), g.cells
    roughness = np.zeros((len(g.roughness) + pairs - 2, columns()))
    roughness[: len(g.roughness), :inside] = g.roughness
    at = inside + RAMPS
    for k in range(pairs - 2):
        roughness[len(g.roughness) + k, at + k : at + k + 3] = (1.0, -2.0, 1.0)
    penalty = roughness.T @ roughness
    penalty[np.diag_indices_from(penalty)] += _SIZE
    return roughness, penalty, np.asarray(np.linalg.inv(penalty), float)


def fit_density(
    field: LocalField,
    force: Floats,
    u_force: Floats,
    fitted: NDArray[np.intp],
    own_field: float | None = None,
    *,
    smoothing: float | None = None,
    start: float | None = None,
    free: NDArray[np.intp] | None = None,
    M: Floats | None = None,
    bias: float | None = None,
) -> DensityFit:
    """Fit the density to the rows ``fitted`` of a run whose every row, fitted or not, is history.

    ``field`` of all n rows in the order taken, ``force`` and ``u_force`` (n,) in N. ``own_field`` between 0
    and N (default N). ``smoothing``, ``start``, ``free`` and ``bias`` as found before, else chosen from the
    data; ``M`` (n,) a first guess of the volume means.

    In a sample magnetised before, what never turns lends the rest a steady demagnetising field, the
    ``bias`` (A/m), against its own direction. It is sought by the held-out residuals.
    """
    problem = _Problem(field, force, u_force, fitted, field.N if own_field is None else own_field)
    plain = problem.solve(smoothing, start, free, M, bias or 0.0)
    if plain.start == 0.0 or bias is not None or smoothing is not None:
        return plain

    def with_bias(part: float) -> DensityFit:
        against = -np.sign(plain.start) * field.N * np.abs(problem.M_plain[fitted]).max()
        return problem.solve(None, plain.start, None, plain.M, float(part * against))

    # A coarse look, then halving the distance around the best: the minimum is sharp and not always single.
    tried = {0.0: plain} | {part: with_bias(part) for part in _BIASES}
    step = _BIASES[0]
    for _ in range(_BIAS_ROUNDS):
        best = min(tried, key=lambda part: tried[part].held_out)
        step *= 0.5
        for part in (best - step, best + step):
            if part > 0.0 and part not in tried:
                tried[part] = with_bias(part)
    return min(tried.values(), key=lambda fit: fit.held_out)


class _Problem:
    def __init__(
        self,
        field: LocalField,
        force: Floats,
        u_force: Floats,
        fitted: NDArray[np.intp],
        own_field: float,
    ) -> None:
        self.field, self.fitted, self.own_field = field, fitted, own_field
        self.others = field.N - own_field
        self.H = field.H_mean
        self.sigma = weighing_spread(force[fitted], u_force[fitted])
        self.force = force[fitted]
        with np.errstate(invalid="ignore", divide="ignore"):
            self.M_plain = np.nan_to_num(force / field.pull_mean)
        g = grid()
        #: Unknowns are densities: masses by the cells' areas, the others by as many as there are in a row.
        others = columns() - len(g.area)
        self.scale = np.concatenate([g.area, np.full(others, float(g.cells))])
        self.roughness, self.penalty, self.prior = _penalties()

    def solve(
        self,
        smoothing: float | None,
        start: float | None,
        free: NDArray[np.intp] | None,
        guess: Floats | None,
        bias: float,
    ) -> DensityFit:
        M = self.M_plain if guess is None else guess
        weights = np.tile(self.field.weights, (len(self.H), 1))
        pull = self.field.pull_mean
        amplified = np.ones(len(self.fitted))
        z: Floats | None = None
        past: Past | None = None
        rounds = 0
        while True:
            rounds += 1
            u = self.field.H - self.others * M[:, None] + bias
            medium = Medium(float(np.abs(u).max()) * (1.0 + 1e-9))
            if past is None:
                start = self._beginning(medium, u) if start is None else start
                past = Past(start, self.H)
            by_force, by_mean = (d * self.scale for d in past.design(medium, u, self.field.pull, weights))
            if z is not None:
                amplified = self._amplification(medium, u, past, z)
            z, held, weight = self._fit(by_force, amplified, smoothing, free)
            anchored = self.M_plain + by_mean @ z - by_force @ z / pull
            # Rows that were not fitted have no reading to be anchored to.
            loose = np.setdiff1d(np.arange(len(M)), self.fitted)
            anchored[loose] = by_mean[loose] @ z
            agreed = np.abs(anchored - M).max() < _AGREED * np.abs(M).max()
            if not self.others or agreed or rounds == _ROUNDS:
                break
            M = 0.5 * (anchored + M)
        spread = self.sigma * amplified
        solved, hat = self._answer(by_force[self.fitted] / spread[:, None], weight, held)
        mass_map = np.zeros((len(z), len(self.H)))
        mass_map[np.ix_(held, self.fitted)] = solved * (amplified / spread)
        residual = np.zeros(len(self.H))
        residual[self.fitted] = (self.force - by_force[self.fitted] @ z) / amplified
        chi = (residual[self.fitted] / self.sigma) ** 2
        M, M_map = by_mean @ z, by_mean @ mass_map
        if self.others:
            M = anchored - residual / pull
            M_map = M_map - (by_force @ mass_map) / pull[:, None]
            M_map[self.fitted, self.fitted] += 1.0 / pull[self.fitted]
        return DensityFit(
            z * self.scale,
            held,
            self.scale[:, None] * mass_map,
            self.field.N,
            self.own_field,
            weight,
            start or 0.0,
            bias,
            medium.largest,
            self.fitted,
            u,
            past,
            M,
            M_map,
            residual,
            chi,
            float(hat.sum()),
            float(np.mean(chi / np.maximum(1.0 - hat, 0.05) ** 2)),
        )

    def _beginning(self, medium: Medium, u: Floats) -> float:
        """How the sample was magnetised before: virgin unless M of the first row says otherwise, and then
        of a few mixtures of virgin and magnetised the one that fits best, constraints left aside."""
        if self.fitted[0] != 0 or len(self.fitted) < 3 or not abs(self.H[0]) < abs(self.H[1]):
            return 0.0  # a run that begins at its strongest field has no past to tell
        M0, largest = self.M_plain[0], np.abs(self.M_plain[self.fitted]).max()
        if abs(M0) < _UNMAGNETISED * largest:
            return 0.0
        virgin, magnetised = (
            Past(part, self.H).design(medium, u, self.field.pull)[0][self.fitted] * self.scale
            for part in (0.0, float(np.sign(M0)))
        )
        y = self.force / self.sigma
        best = (np.inf, 0.0)
        for part in np.linspace(0.0, 1.0, 9):
            X = ((1.0 - part) * virgin + part * magnetised) / self.sigma[:, None]
            kernel = X @ self.prior @ X.T
            kernel[np.diag_indices_from(kernel)] += 1e-6 * np.trace(kernel)
            misfit = float(y @ np.linalg.solve(kernel, y))
            if misfit < best[0]:
                best = (misfit, float(np.sign(M0) * part))
        return best[1]

    def _amplification(self, medium: Medium, u: Floats, past: Past, z: Floats) -> Floats:
        """How much a row's misfit counts: its force's error shifts the row's own u too, see
        ``branch_inversion``; by the change of the fitted force with u."""
        step = 0.25 * medium.largest / medium.grid.cells
        high, low = (
            past.moved(medium, u, self.fitted, by, self.field.pull) @ (self.scale * z) for by in (step, -step)
        )
        slope = (high - low) / (2.0 * step) / self.field.pull_mean[self.fitted]
        return 1.0 + self.others * np.maximum(slope, 0.0)

    def _choose(self, X: Floats, y: Floats) -> float:
        """Smoothing weight by generalised cross-validation, constraints left aside."""
        values, vectors = np.linalg.eigh(X @ self.prior @ X.T)
        values = np.maximum(values, 0.0)
        turned, n = vectors.T @ y, len(y)
        best = (np.inf, 1e-6 * values.max())
        for weight in values.max() * 10.0 ** np.arange(-12.0, 0.1, 0.5):
            kept = values / (values + weight)
            left = n - DEGREES_WEIGHT * kept.sum()
            if left >= 0.15 * n:
                score = n * np.sum(((1.0 - kept) * turned) ** 2) / left**2
                if score < best[0]:
                    best = (float(score), float(weight))
        return best[1]

    def _fit(
        self,
        by_force: Floats,
        amplified: Floats,
        smoothing: float | None,
        free: NDArray[np.intp] | None,
    ) -> tuple[Floats, NDArray[np.intp], float]:
        """Densities, none negative, which are free of the constraint, and the smoothing weight; with
        ``free`` given, the densities on those."""
        spread = self.sigma * amplified
        X, y = by_force[self.fitted] / spread[:, None], self.force / spread
        weight = self._choose(X, y) if smoothing is None else smoothing
        if free is not None:
            z = np.zeros(X.shape[1])
            z[free] = self._answer(X, weight, free)[0] @ y
            return z, free, weight
        from scipy.optimize import nnls

        A = np.vstack([X, np.sqrt(weight) * self.roughness, np.sqrt(weight * _SIZE) * np.eye(X.shape[1])])
        z, _ = nnls(A, np.concatenate([y, np.zeros(len(A) - len(y))]), maxiter=50 * X.shape[1])
        return z, np.flatnonzero(z > 0.0), weight

    def _answer(self, X: Floats, weight: float, free: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """(free, n) map from scaled forces to densities, and the diagonal of the hat matrix (n,)."""
        A = X[:, free]
        normal = A.T @ A + weight * self.penalty[np.ix_(free, free)]
        solved = np.linalg.solve(normal, A.T)
        return np.asarray(solved, float), np.einsum("ik,ki->i", A, solved)
