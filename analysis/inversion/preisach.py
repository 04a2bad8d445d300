"""A sample that does not saturate: a density of hysterons.

Where each part of the sample has turned at its own largest field, M is no longer one function of the field.
But if the material is a set of hysterons, each turned up at a field alpha and down at beta <= alpha
(Preisach), the state of every part follows from its own field history, and every force is linear in the
density over (alpha, beta). The density is not negative, symmetric (alpha, beta) <-> (-beta, -alpha) as the
material knows no up or down, and smooth: non-negative least squares with a curvature penalty, its weight
chosen by misfit and degrees of freedom. The loop of a uniform field then follows from the density.

Between two turning points of the history M changes by twice the Everett function, the density's integral
over the triangle they span (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518, from memory); a part's
surviving turning points are those of its own field (wiping-out).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..magnetostatics.applied_field import NodeField
from ..records.arrays import Floats, Indices
from .fit_records import weighing_spread
from .nnls import nnls_warm, solved
from .preisach_cells import Masses, Medium, columns, grid, where_fields_are, where_M_changes
from .preisach_memory import History, Past
from .settings import DEGREES_WEIGHT, LEAST_LEFT, MARGIN, RAMPS, SIZE, UNMAGNETISED, UNMOVED


class Density:
    """The density of a run's sample and its linear problems (``joint_fit``).

    ``start`` between -1 and 1: how much of the sample was magnetised before, the rest being virgin.
    ``free``: unknowns that may differ from zero, as found before, in place of the constraint.
    ``line``: whether some of the hysterons turn up and down at the same field (they feel nothing of one
    another): the line alpha = -beta is narrower than any cell. ``by_changes``: half of the cells that are not
    even lie where M changes, in place of where the fields are.
    """

    medium: Medium

    def __init__(
        self, start: float, free: Indices | None = None, *, line: bool = False, by_changes: bool = False
    ) -> None:
        self.past, self.start, self.known_free, self.by_changes = Past(start), start, free, by_changes
        #: Unknowns are densities: masses by the cells' areas, the others by as many as there are in a row.
        self.scale = np.concatenate([grid().area, np.full(columns() - len(grid().area), float(grid().cells))])
        self.scale[_line()] *= line
        self.penalty, self.shapes = _penalties()
        #: Which are free of the constraint in the solution before, to begin the next from.
        self.likely_free = np.ones(columns(), bool)
        self._latest: tuple[Floats, Masses] | None = None
        self.felt, self._turning = 0.0, np.zeros((0, 0))
        self.history = History((), self._turning)

    def begin(
        self,
        H_local: Floats,
        pull: Floats,
        steepest: float = np.inf,
        felt: float = 0.0,
        M: Floats | None = None,
    ) -> None:
        """Cells for rows whose nodes feel ``H_local`` (n, q), A/m, ``felt`` times their own M taken off."""
        self.felt, largest, wanted = felt, float(np.abs(H_local).max()) * (1.0 + MARGIN), None
        if felt:
            # Parts that feel themselves stay long where the material is steep.
            at, weights = H_local / largest, np.abs(pull)
            wanted = where_fields_are(at, weights)
            if self.by_changes and M is not None:
                wanted = wanted + where_M_changes(at, M, weights)
        self.medium = Medium(largest, wanted)

    def design(self, H_local: Floats, weights: Floats, around: tuple[Floats, Floats] | None = None) -> Floats:
        """(n, K): sums over the nodes of ``weights`` (n, q) times M, by density; ``around`` densities and
        slopes, with the turns of nodes that feel themselves going with their M."""
        kept = None
        if around is not None and self.felt:
            c, slope = around
            kept = self.history.kept(self.medium, H_local, self._masses(c), self.felt, slope)
        return self.history.design(self.medium, H_local, weights, kept) * self.scale

    def turned(self, H_local: Floats, M: Floats) -> bool:
        """Take the turns of nodes that feel ``H_local`` (n, q), as worked out by ``M``: whether any is
        another than before."""
        # M rises with the field, so both turn at the same rows; this one before M is found.
        turning, before = H_local if self.start else H_local + self.felt * M, self._turning
        if turning.shape == before.shape and np.abs(turning - before).max() < UNMOVED * self.medium.largest:
            return False
        history, self._turning = self.past.followed(turning), turning
        if history.like(self.history):
            return False
        self.history = history
        return True

    def state(self, c: Floats, H_local: Floats) -> tuple[Floats, Floats]:
        """M and dM/du at every node (n, q), which feel ``H_local``, the turns being as taken before."""
        M, slope = self.history.state(self.medium, H_local, self._masses(c))
        return M, np.maximum(slope, 0.0)

    def changes(self, c: Floats, H_local: Floats, slope: Floats, by: Floats) -> Floats:
        """Change of M (k, n, q) with the nodes' local field at all rows, turning points included."""
        out, masses = np.zeros_like(by), self._masses(c)
        for k in np.flatnonzero(by.any(axis=(1, 2))):
            ahead, behind = (
                self.history.state(self.medium, H_local + half * by[k], masses)[0] for half in (0.5, -0.5)
            )
            out[k] = ahead - behind
        return out

    def smoothing(self, X: Floats, y: Floats, bound: bool = False) -> float:
        """The weight by which the least squares left and twice the degrees of freedom, each counted a little
        more, are least (C. L. Mallows, Technometrics 15 (1973) 661, from memory); ``X`` (n, K) and ``y`` (n,)
        in standard deviations. The likeliest weight smoothed too much in trials of ours. The constraint is
        left aside: with it too little was smoothed."""
        values, turned, n = *_components(X, self.shapes, y), len(y)
        best = (np.inf, 1e-6 * values.max())
        for weight in values.max() * 10.0 ** np.arange(-12.0, 0.1, 0.5):
            kept = values / (values + weight)
            left = n - DEGREES_WEIGHT * kept.sum()
            if left >= LEAST_LEFT * n:
                score = np.sum(((1.0 - kept) * turned) ** 2) + 2.0 * (n - left)
                if score < best[0]:
                    best = (float(score), float(weight))
        return best[1]

    def fit(self, X: Floats, y: Floats, weight: float) -> tuple[Floats, Indices]:
        """Densities (K,), none negative, and which of them are free of the constraint."""
        if self.known_free is not None:
            return self.answer(X, weight, self.known_free) @ y, self.known_free
        c = nnls_warm(X.T @ X + weight * self.penalty, X.T @ y, self.likely_free)
        self.likely_free = c > 0.0
        return c, np.flatnonzero(self.likely_free)

    def could_be_free(self, free: Indices) -> Indices:
        """Those that are: of the others there are far more than readings."""
        return free

    def answer(self, X: Floats, weight: float, free: Indices) -> Floats:
        """(K, n): densities by readings, on the free ones."""
        A = X[:, free]
        normal = A.T @ A + weight * self.penalty[np.ix_(free, free)]
        whole = np.zeros((X.shape[1], len(X)))
        whole[free] = solved(normal, A.T)
        return whole

    def unseen(self, X: Floats, weight: float, free: Indices) -> Floats:
        """(K, r): what the readings leave unknown of the densities, by one standard normal a column: the
        penalty taken as knowledge (``reml``), on the free ones."""
        A, P = X[:, free], weight * self.penalty[np.ix_(free, free)]
        whole = np.zeros((X.shape[1], len(free)))
        whole[free] = solved(A.T @ A + P, np.asarray(np.linalg.cholesky(P), float))
        return whole

    def uniform(self, row: int, turns_H_local: Floats, u: Floats) -> Floats:
        """(m, K): M by density of a sample in the local field ``u`` (m,) throughout, on ``row``'s branch;
        ``turns_H_local`` (n,) is its local field at the run's rows."""
        return self.past.uniform(self.medium, row, turns_H_local, u) * self.scale

    def uniform_state(self, c: Floats, row: int, turns_H_local: Floats, u: Floats) -> Floats:
        """M (m,) of such a sample."""
        return self.past.uniform(self.medium, row, turns_H_local, u, self._masses(c))

    def _masses(self, c: Floats) -> Masses:
        """The same densities are asked of many times over."""
        if self._latest is None or self._latest[0] is not c:
            self._latest = c, Masses(c * self.scale)
        return self._latest[1]


def _components(X: Floats, shapes: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Of A A^T, A = X shapes, ``X`` (n, K): eigenvalues (r,) and the parts of ``y`` (n,) along their vectors;
    of more rows than unknowns the rotation of them (QR) that leaves as many."""
    if len(X) > X.shape[1] + 1:
        turned = np.asarray(np.linalg.qr(np.column_stack([X, y]), mode="r"), float)
        X, y = turned[:, :-1], turned[:, -1]
    A = X @ shapes
    values, vectors = np.linalg.eigh(A @ A.T)
    return np.maximum(values, 0.0), vectors.T @ y


def _line() -> slice:
    """Which columns are the line's."""
    g = grid()
    return slice(len(g.area), len(g.area) + g.cells // 2)


@lru_cache(maxsize=2)
def _penalties() -> tuple[Floats, Floats]:
    """The penalty (K, K), of second differences of all columns that have neighbours, and a root of its
    inverse."""
    g = grid()
    inside, line, pairs = len(g.area), _line(), g.cells
    bends = np.zeros((len(g.roughness), columns()))
    bends[:, :inside] = g.roughness
    rows = [bends]
    for first, last in ((line.start, line.stop), (line.stop + RAMPS, line.stop + RAMPS + pairs)):
        rows.append(np.diff(np.eye(columns())[first:last], 2, axis=0))
    roughness = np.vstack(rows)
    penalty = roughness.T @ roughness
    penalty[np.diag_indices_from(penalty)] += SIZE
    return penalty, np.asarray(np.linalg.inv(np.linalg.cholesky(penalty)).T, float)


def magnetised_before(field: NodeField, force: Floats, u_force: Floats, fitted: Indices) -> float:
    """How much of the sample was magnetised before, -1 to 1: none unless M of the first row says
    otherwise, and then of a few mixtures of virgin and magnetised the one that fits best, constraints left
    aside. ``force`` and ``u_force`` (n,) in N at all rows, ``fitted`` those used."""
    H = field.H_mean
    with np.errstate(divide="ignore", invalid="ignore"):
        M = np.nan_to_num(force / field.pull_mean)
    if fitted[0] != 0 or len(fitted) < 3 or not abs(H[0]) < abs(H[1]):
        return 0.0  # a run that begins at its strongest field has no past to tell
    if abs(M[0]) < UNMAGNETISED * np.abs(M[fitted]).max():
        return 0.0
    medium, sign = Medium(float(np.abs(field.H).max()) * (1.0 + MARGIN)), float(np.sign(M[0]))
    scale = Density(0.0).scale
    sigma = weighing_spread(force[fitted], u_force[fitted])
    virgin, magnetised = (
        Past(part).followed(field.H).design(medium, field.H, field.pull)[fitted] * scale / sigma[:, None]
        for part in (0.0, sign)
    )
    y, shapes = force[fitted] / sigma, _penalties()[1]
    best = (np.inf, 0.0)
    for part in np.linspace(0.0, 1.0, 9):
        X = (1.0 - part) * virgin + part * magnetised
        values, turned = _components(X, shapes, y)
        noise = 1e-6 * float(values.sum())
        misfit = float(np.sum(turned**2 / (values + noise)))
        if misfit < best[0]:
            best = (misfit, sign * float(part))
    return best[1]
