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

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .branch_inversion import DEGREES_WEIGHT, weighing_spread
from .local_field import LocalField
from .loop import Curve, Floats
from .points import Branch

#: Cells along each axis of the density: fine enough that twice as many change nothing beyond the noise
#: (a trial of ours), few enough for a quick solution.
_CELLS = 32
#: Ramps of the purely reversible part, odd in the field.
_RAMPS = 4
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
class Grid:
    """The triangle alpha >= beta on edges symmetric about zero, cells folded by symmetry.

    ``cells`` along each axis; ``one`` and ``two`` (folded,) are a cell and its mirror image, counted
    alpha * cells + beta, ``pair`` 1 where they differ, else 0; ``area`` (folded,) in units of a cell,
    ``roughness`` (rows, folded) second differences.
    """

    cells: int
    one: NDArray[np.intp]
    two: NDArray[np.intp]
    pair: Floats
    area: Floats
    roughness: Floats

    def folded(self, contributions: Floats) -> Floats:
        """(rows, cells, cells) -> (rows, folded)."""
        flat = contributions.reshape(len(contributions), -1)
        return flat[:, self.one] + self.pair * flat[:, self.two]


@lru_cache(maxsize=4)
def grid(cells: int = _CELLS) -> Grid:
    """The grid of ``cells`` per axis: edges evenly from -1 to 1, to be scaled by the largest field."""
    folded: dict[tuple[int, int], int] = {}
    where = np.empty((cells, cells), dtype=int)
    one, two = [], []
    triangle = [(i, j) for i in range(cells) for j in range(i + 1)]
    for i, j in triangle:
        mirror = (cells - 1 - j, cells - 1 - i)
        if min((i, j), mirror) not in folded:
            folded[min((i, j), mirror)] = len(folded)
            one.append(i * cells + j)
            two.append(mirror[0] * cells + mirror[1])
        where[i, j] = folded[min((i, j), mirror)]
    one, two = np.array(one), np.array(two)
    pair = (one != two).astype(float)
    area = np.where(one // cells == one % cells, 0.5, 1.0) * (1.0 + pair)
    bends = []
    for i, j in triangle:
        for di, dj in ((1, 0), (0, 1)):
            three = [(i - di, j - dj), (i, j), (i + di, j + dj)]
            # The diagonal, all but reversible, may stand out of the rest.
            if all(0 <= q < p < cells for p, q in three):
                bend = np.zeros(len(folded))
                for p, weight in zip(three, (1.0, -2.0, 1.0), strict=True):
                    bend[where[p]] += weight
                bends.append(bend)
    return Grid(cells, one, two, pair, area, np.array(bends))


def surviving_turns(H: Floats, start: int = 0) -> list[tuple[int, ...]]:
    """For every row the earlier rows at which the field turned and that it has not since passed again.

    From a virgin sample (``start`` 0) a single turn is passed at its opposite; one magnetised along the
    first field (its sign ``start``) turned at zero before, which is passed there; one magnetised against it
    came from farther away than any field here.
    """
    turns: list[int] = []
    heading, survivors = 0, []
    for k in range(len(H)):
        if k and H[k] != H[k - 1]:
            rising = H[k] > H[k - 1]
            if heading and (heading > 0) != rising:
                turns.append(k - 1)
            heading = 1 if rising else -1
            while len(turns) >= 2 and (H[k] >= H[turns[-2]] if rising else H[k] <= H[turns[-2]]):
                del turns[-2:]
            if len(turns) == 1:
                limit = -H[turns[0]] if start == 0 else 0.0 if start * H[turns[0]] > 0 else np.inf
                if H[turns[0]] * (limit - H[k]) >= 0.0 and rising != (H[turns[0]] > 0) and np.isfinite(limit):
                    turns.clear()
        elif k == 0:
            heading = 1 if H[0] > 0 else -1
        survivors.append(tuple(turns))
    return survivors


class _Medium:
    """Columns of the linear problem: what each folded cell and each ramp contributes."""

    def __init__(self, largest: float) -> None:
        self.grid, self.largest = grid(), largest

    def passed(self, u: Floats) -> Floats:
        """Part of every cell's range along one axis that lies below u: (..., cells)."""
        cells = self.grid.cells
        return np.clip((u[..., None] / self.largest + 1.0) * (0.5 * cells) - np.arange(cells), 0.0, 1.0)

    def everett(self, weights: Floats, high: Floats, low: Floats) -> Floats:
        """Sum over nodes of the cells' part in the triangle between two turning points.

        ``weights`` (rows, q); ``high``, ``low`` (rows or 1, q, cells) from ``passed``; (rows, cells, cells).
        """
        part = np.swapaxes(high * weights[:, :, None], 1, 2) @ (1.0 - low)
        diagonal = np.einsum("rq,rqk->rk", weights, np.maximum(high - low, 0.0) ** 2)
        k = np.arange(self.grid.cells)
        part[:, k, k] = diagonal
        return part

    def beginning(self, start: int, sign: float, w: Floats, up: Floats, mirrored: Floats) -> Floats:
        """State at the first surviving turn (``sign`` of its field), reached from a virgin sample or from
        one that was magnetised and lay in no field."""
        if start == 0:
            return self.everett(w, up, mirrored) if sign > 0 else -self.everett(w, mirrored, up)
        none, all_of_it = np.zeros_like(up), np.ones_like(up)
        zero = np.broadcast_to(self.passed(np.zeros(1)), up.shape)
        whole = start * np.broadcast_to(w.sum(axis=1)[:, None, None], (len(w), *none.shape[-1:] * 2))
        if start < 0 < sign:
            return whole + 2.0 * self.everett(w, up, none)
        if sign < 0 < start:
            return whole - 2.0 * self.everett(w, all_of_it, up)
        if start > 0:
            return whole - 2.0 * self.everett(w, all_of_it, zero) + 2.0 * self.everett(w, up, zero)
        return whole + 2.0 * self.everett(w, zero, none) - 2.0 * self.everett(w, zero, up)

    def beyond(self, start: int, reached: Floats) -> Floats:
        """Hysterons of a sample magnetised before that lie partly or wholly beyond the fields of the run:
        (rows, q, cells + 1).

        Of a mirror pair with one threshold within, t, one is never turned and the other but once, by the
        first field beyond t against ``start``: together twice ``start`` until then, nothing after. The
        last column is those never turned at all. ``reached`` (rows, q): the largest such field so far.
        """
        pairs = 2.0 * start * (1.0 - self.passed(reached))
        return np.concatenate([pairs, np.full((*reached.shape, 1), start)], axis=-1)

    def ramps(self, u: Floats) -> Floats:
        """The reversible part's shapes, odd in u: (..., ramps)."""
        width = self.largest / _RAMPS
        return np.sign(u)[..., None] * np.clip(np.abs(u)[..., None] / width - np.arange(_RAMPS), 0.0, 1.0)


class _Story:
    """The history of every node of a run, asked for any weighting of the nodes.

    ``u`` (n, q) what the nodes feel at every row, ``H`` (n,) the mean field, ``paths`` the surviving turns
    of each row, ``start`` 0 for a virgin sample, 1 or -1 for a magnetised one; ``reached`` (n, q) the
    largest field against ``start`` so far.
    """

    def __init__(
        self,
        medium: _Medium,
        u: Floats,
        H: Floats,
        paths: Sequence[tuple[int, ...]],
        start: int,
        reached: Floats,
    ) -> None:
        self.medium, self.u, self.H, self.start, self.reached = medium, u, H, start, reached
        self.up, self.mirrored = medium.passed(u), medium.passed(-u)
        self.groups: dict[tuple[float, ...], list[int]] = {}
        for k, path in enumerate(paths):
            self.groups.setdefault(path or (float(np.sign(H[k])), np.inf), []).append(k)
        self.paths = paths

    def design(self, *weightings: Floats) -> list[Floats]:
        """One (n, columns) matrix for each weighting (n, q) of the nodes."""
        medium, up = self.medium, self.up
        out = [np.empty((len(self.u), columns())) for _ in weightings]
        shapes = medium.ramps(self.u)
        if self.start:
            shapes = np.concatenate([shapes, medium.beyond(self.start, self.reached)], axis=-1)
        inside = len(medium.grid.area)
        last = inside + shapes.shape[-1]
        for rows in self.groups.values():
            path = self.paths[rows[0]]
            for matrix, weighting in zip(out, weightings, strict=True):
                w = weighting[rows]
                if path:
                    first = [path[0]]
                    total = medium.beginning(self.start, self.H[path[0]], w, up[first], self.mirrored[first])
                    for a, b in pairwise(path):
                        total += self._between(w, up[[a]], up[[b]], self.H[b] > self.H[a])
                    total += self._between(w, up[[path[-1]]], up[rows], self.H[rows[0]] > self.H[path[-1]])
                else:
                    total = medium.beginning(self.start, self.H[rows[0]], w, up[rows], self.mirrored[rows])
                matrix[rows, :inside] = medium.grid.folded(total)
                matrix[rows, inside:last] = np.einsum("rq,rqp->rp", w, shapes[rows])
                matrix[rows, last:] = 0.0
        return out

    def _between(self, w: Floats, a: Floats, b: Floats, rising: bool) -> Floats:
        return 2.0 * self.medium.everett(w, b, a) if rising else -2.0 * self.medium.everett(w, a, b)


class _Past:
    """What lay before the first row: ``part`` between -1 and 1 of the sample magnetised, the rest virgin.

    The run's rows ``H`` (n,) have surviving turns of their own for either part.
    """

    def __init__(self, part: float, H: Floats) -> None:
        self.H = H
        self.shares = [
            (start, share)
            for start, share in ((0, 1.0 - abs(part)), (int(np.sign(part)), abs(part)))
            if share > 0.0
        ]
        self.paths = {start: surviving_turns(H, start) for start, _ in self.shares}

    def design(self, medium: _Medium, u: Floats, *weightings: Floats) -> list[Floats]:
        """One (n, columns) matrix for each weighting (n, q): the run's rows, nodes feeling ``u`` (n, q)."""
        return self._blend(
            [_Story(medium, u, self.H, self.paths[s], s, _reached(s, u)) for s, _ in self.shares], *weightings
        )

    def moved(self, medium: _Medium, u: Floats, rows: NDArray[np.intp], by: float, pull: Floats) -> Floats:
        """As ``design`` of some rows, each by itself moved on by ``by`` (A/m) in what its nodes feel."""
        n, both = len(u), np.vstack([u, u[rows] + by])
        H, stories = np.concatenate([self.H, self.H[rows]]), []
        for start, _ in self.shares:
            paths = [*self.paths[start], *(self.paths[start][k] for k in rows)]
            reached = _reached(start, u)
            reached = np.vstack([reached, np.maximum(reached[rows], -start * both[n:])])
            stories.append(_Story(medium, both, H, paths, start, reached))
        return self._blend(stories, np.vstack([pull, pull[rows]]))[0][n:]

    def uniform(self, medium: _Medium, row: int, turns_felt: Floats, u: Floats) -> Floats:
        """Columns of a sample that feels ``u`` (m,) throughout, on the branch that ``row`` lies on.
        ``turns_felt`` (n,) is what such a sample felt at the run's rows."""
        stories = []
        for start, _ in self.shares:
            path = self.paths[start][row]
            turns = len(path)
            history = np.concatenate([turns_felt[list(path)], u])[:, None]
            # The branch runs away from its last turn.
            away = -np.sign(self.H[path[-1]]) * np.inf if path else np.sign(self.H[row])
            H = np.concatenate([self.H[list(path)], np.full(len(u), away)])
            past = [tuple(range(k)) for k in range(turns + 1)]
            before = _reached(start, turns_felt[: path[-1] + 1])[-1] if path else 0.0
            reached = np.maximum(before, -start * history)
            stories.append(_Story(medium, history, H, past[:-1] + past[-1:] * len(u), start, reached))
        designs = [s.design(np.ones_like(s.u))[0][-len(u) :] for s in stories]
        return sum((share * d for (_, share), d in zip(self.shares, designs, strict=True)), np.zeros(()))

    def _blend(self, stories: list[_Story], *weightings: Floats) -> list[Floats]:
        parts = [story.design(*weightings) for story in stories]
        return [
            sum((share * d for (_, share), d in zip(self.shares, each, strict=True)), np.zeros(()))
            for each in zip(*parts, strict=True)
        ]


def _reached(start: int, u: Floats) -> Floats:
    """The largest field against ``start`` so far, from none; over the rows of u (n, ...)."""
    return np.maximum.accumulate(np.maximum(-start * u, 0.0), axis=0)


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
    past: _Past
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
        others, medium, felt = self.N - self.own_field, _Medium(self.largest), self.u @ weights
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


def columns() -> int:
    """Unknowns of the linear problem: folded cells, ramps, and what lies beyond."""
    return len(grid().area) + _RAMPS + grid().cells + 1


@lru_cache(maxsize=2)
def _penalties() -> tuple[Floats, Floats, Floats]:
    """Second differences (rows, K) of all columns that have neighbours, the penalty (K, K), its inverse."""
    g = grid()
    inside, pairs = len(g.area), g.cells
    roughness = np.zeros((len(g.roughness) + pairs - 2, columns()))
    roughness[: len(g.roughness), :inside] = g.roughness
    at = inside + _RAMPS
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
        past: _Past | None = None
        rounds = 0
        while True:
            rounds += 1
            u = self.field.H - self.others * M[:, None] + bias
            medium = _Medium(float(np.abs(u).max()) * (1.0 + 1e-9))
            if past is None:
                start = self._beginning(medium, u) if start is None else start
                past = _Past(start, self.H)
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

    def _beginning(self, medium: _Medium, u: Floats) -> float:
        """How the sample was magnetised before: virgin unless M of the first row says otherwise, and then
        of a few mixtures of virgin and magnetised the one that fits best, constraints left aside."""
        if self.fitted[0] != 0 or len(self.fitted) < 3 or not abs(self.H[0]) < abs(self.H[1]):
            return 0.0  # a run that begins at its strongest field has no past to tell
        M0, largest = self.M_plain[0], np.abs(self.M_plain[self.fitted]).max()
        if abs(M0) < _UNMAGNETISED * largest:
            return 0.0
        virgin, magnetised = (
            _Past(part, self.H).design(medium, u, self.field.pull)[0][self.fitted] * self.scale
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

    def _amplification(self, medium: _Medium, u: Floats, past: _Past, z: Floats) -> Floats:
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
