"""The history of a hysteron density: which cells of the (alpha, beta) triangle are up, at every row of a run.

Cells of even size on a triangle alpha >= beta; between two turning points M changes by twice the Everett
function, a cell's part in the triangle they span. Linear in the density, so it is asked for as a matrix.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: The Everett function of two fields, as ``Medium.passed`` (nodes weighed) or ``Medium.places`` (masses).
Everett = Callable[[Floats, Floats], Floats]

#: Cells along each axis of the density: fine enough that twice as many change nothing beyond the noise
#: (a trial of ours), few enough for a quick solution.
_CELLS = 32
#: Ramps of the purely reversible part, odd in the field.
RAMPS = 4


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

    def unfolded(self, masses: Floats) -> Floats:
        """(folded,) -> (cells, cells): every cell's own."""
        whole = np.zeros(self.cells**2)
        np.add.at(whole, self.one, masses)
        np.add.at(whole, self.two, self.pair * masses)
        return whole.reshape(self.cells, self.cells)

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
                turn = H[turns[0]]
                away, limit = -np.sign(turn), _remembered(start, turn, turn)
                if rising == (away > 0) and away * (H[k] - limit) >= 0.0:
                    turns.clear()
        elif k == 0:
            heading = 1 if H[0] > 0 else -1
        survivors.append(tuple(turns))
    return survivors


def _remembered(start: int, H: float, u: float) -> float:
    """How far back the field must go to wipe out a first turn at mean field ``H``, where ``u`` was felt: a
    virgin sample forgets it at the same field reversed, one magnetised along it at none, and one
    magnetised against it (which the turn itself has turned over) never."""
    if start == 0:
        return -u
    return 0.0 if start * H > 0 else -float(np.sign(H)) * np.inf


class Medium:
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

    def places(self, u: Floats) -> Floats:
        """u counted in cells from the lowest: (...)."""
        cells = self.grid.cells
        return np.clip((u / self.largest + 1.0) * (0.5 * cells), 0.0, cells)

    def beginning(
        self,
        start: int,
        sign: float,
        everett: Everett,
        whole: Floats,
        ends: tuple[Floats, Floats, Floats],
        up: Floats,
        mirrored: Floats,
    ) -> Floats:
        """State at the first surviving turn (``sign`` of its field), reached from a virgin sample or from
        one that was magnetised and lay in no field. ``whole`` is all cells up, ``ends`` what the lowest,
        the highest field and none are to ``everett``."""
        if start == 0:
            return everett(up, mirrored) if sign > 0 else -everett(mirrored, up)
        lowest, highest, none = ends
        if start < 0 < sign:
            return -whole + 2.0 * everett(up, lowest)
        if sign < 0 < start:
            return whole - 2.0 * everett(highest, up)
        if start > 0:
            return whole - 2.0 * everett(highest, none) + 2.0 * everett(up, none)
        return -whole + 2.0 * everett(none, lowest) - 2.0 * everett(none, up)

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
        width = self.largest / RAMPS
        return np.sign(u)[..., None] * np.clip(np.abs(u)[..., None] / width - np.arange(RAMPS), 0.0, 1.0)


class _Story:
    """The history of every node of a run, asked for any weighting of the nodes.

    ``u`` (n, q) what the nodes feel at every row, ``H`` (n,) the mean field, ``paths`` the surviving turns
    of each row, ``start`` 0 for a virgin sample, 1 or -1 for a magnetised one; ``reached`` (n, q) the
    largest field against ``start`` so far.
    """

    def __init__(
        self,
        medium: Medium,
        u: Floats,
        H: Floats,
        paths: Sequence[tuple[int, ...]],
        start: int,
        reached: Floats,
    ) -> None:
        self.medium, self.u, self.H, self.start, self.reached = medium, u, H, start, reached
        self.groups: dict[tuple[float, ...], list[int]] = {}
        for k, path in enumerate(paths):
            self.groups.setdefault(path or (float(np.sign(H[k])), np.inf), []).append(k)
        self.paths = paths

    def design(self, *weightings: Floats) -> list[Floats]:
        """One (n, columns) matrix for each weighting (n, q) of the nodes."""
        medium = self.medium
        out = [np.empty((len(self.u), columns())) for _ in weightings]
        shapes = self._shapes(self.u, self.reached)
        inside = len(medium.grid.area)
        last = inside + shapes.shape[-1]
        cells = medium.grid.cells
        ends = tuple(
            medium.passed(np.full((1, self.u.shape[1]), end))
            for end in (-medium.largest, medium.largest, 0.0)
        )
        up, mirrored = medium.passed(self.u), medium.passed(-self.u)
        for rows in self.groups.values():
            for matrix, weighting in zip(out, weightings, strict=True):
                w = weighting[rows]
                whole = np.broadcast_to(w.sum(axis=1)[:, None, None], (len(w), cells, cells))
                everett = partial(medium.everett, w)
                total = self._total(rows, everett, whole, ends, (up, mirrored), up[rows], mirrored[rows])
                matrix[rows, :inside] = medium.grid.folded(total)
                matrix[rows, inside:last] = np.einsum("rq,rqp->rp", w, shapes[rows])
                matrix[rows, last:] = 0.0
        return out

    def magnetisation(self, masses: Floats, by: float = 0.0) -> Floats:
        """M at every node (n, q) by the columns' ``masses``, each row by itself ``by`` (A/m) farther on."""
        medium, inside = self.medium, len(self.medium.grid.area)
        cells, n = medium.grid.unfolded(masses[:inside]), medium.grid.cells
        here, reached = self.u + by, self.reached
        if by:
            reached = np.maximum(reached, -self.start * here)
        shapes = self._shapes(here, reached)
        M = shapes @ masses[inside : inside + shapes.shape[-1]]
        whole, everett = np.asarray(cells.sum()), EverettTable(cells)
        ends = tuple(np.full((1, 1), end) for end in (0.0, float(n), 0.5 * n))
        turns, places = medium.places(self.u), medium.places(here)
        for rows in self.groups.values():
            M[rows] += self._total(
                rows, everett, whole, ends, (turns, n - turns), places[rows], n - places[rows]
            )
        return M

    def _shapes(self, u: Floats, reached: Floats) -> Floats:
        """Of the columns that are no cells, what each contributes at every node: (n, q, p)."""
        shapes = self.medium.ramps(u)
        if not self.start:
            return shapes
        return np.concatenate([shapes, self.medium.beyond(self.start, reached)], axis=-1)

    def _total(
        self,
        rows: list[int],
        everett: Everett,
        whole: Floats,
        ends: Any,
        turns: tuple[Floats, Floats],
        up: Floats,
        mirrored: Floats,
    ) -> Floats:
        """The cells' state at rows of one path, where these have come to ``up`` and the turning points of
        all rows lie at ``turns``."""
        path = self.paths[rows[0]]
        if not path:
            sign = self.H[rows[0]]
            return self.medium.beginning(self.start, sign, everett, whole, ends, up, mirrored)
        turned, first = turns[0], [path[0]]
        sign = self.H[path[0]]
        total = self.medium.beginning(self.start, sign, everett, whole, ends, turned[first], turns[1][first])
        for a, b in pairwise(path):
            total = total + _between(everett, turned[[a]], turned[[b]], self.H[b] > self.H[a])
        return total + _between(everett, turned[[path[-1]]], up, self.H[rows[0]] > self.H[path[-1]])


class EverettTable:
    """The Everett function of the cells' ``masses`` (cells, cells) at places counted in cells.

    Each mass lies evenly on its cell, on the diagonal on the cell's triangle: a table at the corners,
    between which it is bilinear, and the diagonal for itself.
    """

    def __init__(self, masses: Floats) -> None:
        n = len(masses)
        self.diagonal = np.append(np.diag(masses), 0.0)
        off = masses - np.diag(np.diag(masses))
        # Up to alpha from below, and down to beta from above.
        self.table = np.zeros((n + 2, n + 2))
        self.table[1 : n + 1, :n] = np.cumsum(np.cumsum(off, axis=0)[:, ::-1], axis=1)[:, ::-1]
        self.table[n + 1] = self.table[n]
        self.whole = np.concatenate([[0.0], np.cumsum(self.diagonal)])

    def __call__(self, high: Floats, low: Floats) -> Floats:
        """E between the places ``high`` and ``low``; 0 where that is above."""
        i, j = high.astype(np.intp), low.astype(np.intp)
        x, y = high - i, low - j
        T = self.table
        E = (1 - x) * ((1 - y) * T[i, j] + y * T[i, j + 1]) + x * (
            (1 - y) * T[i + 1, j] + y * T[i + 1, j + 1]
        )
        apart = (
            self.diagonal[j] * (1 - y) ** 2 + (self.whole[i] - self.whole[j + 1]) + self.diagonal[i] * x**2
        )
        together = self.diagonal[i] * np.maximum(x - y, 0.0) ** 2
        return E + np.where(i > j, apart, np.where(i == j, together, 0.0))


def _between(everett: Everett, a: Floats, b: Floats, rising: bool) -> Floats:
    return 2.0 * everett(b, a) if rising else -2.0 * everett(a, b)


class Past:
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

    def design(self, medium: Medium, u: Floats, *weightings: Floats) -> list[Floats]:
        """One (n, columns) matrix for each weighting (n, q): the run's rows, nodes feeling ``u`` (n, q)."""
        return self._blend([story for _, story in self._stories(medium, u)], *weightings)

    def state(self, medium: Medium, u: Floats, masses: Floats) -> Floats:
        """M at every node (n, q) for ``masses`` of the columns, nodes feeling ``u`` (n, q)."""
        return sum((share * s.magnetisation(masses) for share, s in self._stories(medium, u)), np.zeros(()))

    def slope(self, medium: Medium, u: Floats, masses: Floats) -> Floats:
        """dM/du (n, q), each row moved by itself, by central differences within a cell."""
        step = 0.25 * medium.largest / medium.grid.cells
        return sum(
            (
                share * (s.magnetisation(masses, step) - s.magnetisation(masses, -step)) / (2.0 * step)
                for share, s in self._stories(medium, u)
            ),
            np.zeros(()),
        )

    def _stories(self, medium: Medium, u: Floats) -> list[tuple[float, _Story]]:
        return [
            (share, _Story(medium, u, self.H, self.paths[s], s, _reached(s, u))) for s, share in self.shares
        ]

    def uniform(self, medium: Medium, row: int, turns_felt: Floats, u: Floats) -> Floats:
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
            wiped = np.zeros(len(u), bool)
            if turns == 1:
                # Like the rows of a run, a field beyond what the first turn remembers wipes it out.
                away = -np.sign(self.H[path[0]])
                wiped = away * (u - _remembered(start, self.H[path[0]], turns_felt[path[0]])) >= 0.0
            paths = past[:-1] + [() if gone else past[-1] for gone in wiped]
            stories.append(_Story(medium, history, H, paths, start, reached))
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


def columns() -> int:
    """Unknowns of the linear problem: folded cells, ramps, and what lies beyond."""
    return len(grid().area) + RAMPS + grid().cells + 1
