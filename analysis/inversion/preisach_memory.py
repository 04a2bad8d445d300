"""The history of a hysteron density: which cells of the (alpha, beta) triangle are up, at every row of a run.

Cells of even size on a triangle alpha >= beta; between two turning points M changes by twice the Everett
function, a cell's part in the triangle they span. Linear in the density, so it is asked for as a matrix.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..records.arrays import Floats, Indices
from .everett import Cells, Steps, Triangles, steps_below
from .settings import CELLS, RAMPS

#: No row farther on than it is.
NOWHERE = np.zeros(1)


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
        whole[self.one] = masses
        whole[self.two] += self.pair * masses
        return whole.reshape(self.cells, self.cells)

    def folded(self, contributions: Floats) -> Floats:
        """(rows, cells, cells) -> (rows, folded)."""
        flat = contributions.reshape(len(contributions), -1)
        return flat[:, self.one] + self.pair * flat[:, self.two]


@lru_cache(maxsize=4)
def grid(cells: int = CELLS) -> Grid:
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


def last_turns(H: Floats, start: int = 0) -> Indices:
    """For every row the last earlier row at which the field turned and that it has not since passed again;
    the row itself where there is none (n,).

    From a virgin sample (``start`` 0) a single turn is passed at its opposite; one magnetised along the
    first field (its sign ``start``) turned at zero before, which is passed there; one magnetised against it
    came from farther away than any field here.
    """
    turns: list[int] = []
    heading, last = 0, []
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
        last.append(turns[-1] if turns else k)
    return np.array(last, np.intp)


def _remembered(start: int, H: float, u: float) -> float:
    """How far back the field must go to wipe out a first turn at mean field ``H``, local field ``u``: a
    virgin sample forgets it at the same field reversed, one magnetised along it at none, and one
    magnetised against it (which the turn itself has turned over) never."""
    if start == 0:
        return -u
    return 0.0 if start * H > 0 else -float(np.sign(H)) * np.inf


class Medium:
    """Cells and ramps for fields up to ``largest``, A/m; a place is a field counted in cells from the
    lowest."""

    def __init__(self, largest: float) -> None:
        self.grid, self.largest = grid(), largest

    def places(self, u: Floats) -> Floats:
        """The places of fields ``u`` (...)."""
        half = 0.5 * self.grid.cells
        return np.minimum(np.maximum(u * (half / self.largest) + half, 0.0), 2.0 * half)

    def climbed(self, u: Floats) -> Floats:
        """How many ramps of the reversible part, odd in u, lie below its size: (...)."""
        return np.minimum(np.abs(u) * (RAMPS / self.largest), RAMPS)


class Masses:
    """Masses of all columns (K,), summed up to be looked up at any place."""

    def __init__(self, columns: Floats) -> None:
        g = grid()
        cells, ramps, beyond = np.split(columns[:-1], [len(g.area), -g.cells])
        self.cells, self.ramps, self.beyond = Cells(g.unfolded(cells)), Steps(ramps), Steps(beyond)
        self.never = float(columns[-1])


class _Story:
    """The history of a sample that began virgin (``start`` 0) or magnetised (1, -1), through rows of mean
    field ``H`` (n,) with their last turns ``since`` (n,).

    The state at a row is that at its last turn and what the field has turned over since: a link of a chain
    that goes back, turn by turn, to where the sample began.
    """

    def __init__(self, H: Floats, since: Indices, start: int) -> None:
        self.since, self.start = since, start
        fresh = since == np.arange(len(H))
        self.fresh, self.turns = fresh[:, None], np.unique(since[~fresh])
        #: (n, turns): which of the turns a row's state rests on.
        self.rests = np.zeros((len(H), len(self.turns)), bool)
        origin = np.arange(len(H))
        while (on := ~fresh[origin]).any():
            origin = np.where(on, since[origin], origin)
            self.rests[on, np.searchsorted(self.turns, origin[on])] = True
        self.rising = np.where(fresh, H > 0, H[since] < H)[:, None]
        self.factor = np.where(self.rising, 2.0, -2.0)
        if start == 0:
            # A virgin cell is up or down by the side of the mirror's line on which it lies.
            self.factor[fresh] *= 0.5
        #: One begun along its magnetisation has turned in no field before, which took its upper cells down;
        #: one begun against it comes from farther away than any field here.
        self.along = start * np.sign(H[origin, None]) > 0

    def links(self, medium: Medium, now: Floats, turned: Floats) -> Triangles:
        """What has turned over since each row's last turn, the rows having come to the places ``now``
        (..., n, q) and turned at ``turned``."""
        cells = medium.grid.cells
        if self.start == 0:
            begun = cells - now
        else:
            begun = np.where(self.along, 0.5 * cells, np.where(self.rising, 0.0, cells))
        since = np.where(self.fresh, begun, turned[..., self.since, :])
        return Triangles(np.where(self.rising, now, since), np.where(self.rising, since, now), cells)

    def reached(self, u: Floats) -> Floats:
        """The largest field against ``start`` so far, from none; u (..., n, q)."""
        return np.maximum.accumulate(np.maximum(-self.start * u, 0.0), axis=-2)

    def design(self, medium: Medium, u: Floats, reached: Floats, weights: Floats) -> Floats:
        """(n, columns): sums over the nodes, which feel ``u`` (n, q), of ``weights`` (n, q) times M by
        column; ``reached`` (n, q) is the largest field against ``start`` so far.

        Of a mirror pair of hysterons of a sample magnetised before, with one threshold within the fields of
        the run, t, one is never turned and the other but once, by the first field beyond t against
        ``start``: together twice ``start`` until then, nothing after. The last column is those never
        turned at all.
        """
        n, places = medium.grid.cells, medium.places(u)
        rows, links = np.nonzero(self.rests)
        rows, links = np.append(np.arange(len(u)), rows), np.append(np.arange(len(u)), self.turns[links])
        by_link = self.factor[links] * weights[rows]
        cells = medium.grid.folded(self.links(medium, places, places).shares(links, by_link, rows, len(u)))
        ramps = steps_below(medium.climbed(u), weights * np.sign(u), RAMPS)
        beyond = np.zeros((len(u), n + 1))
        if self.start:
            begun = self.start * weights.sum(axis=1, keepdims=True)
            upper = np.broadcast_to(np.arange(n) >= n // 2, (n, n))
            cells += begun * medium.grid.folded(np.where(self.along[:, :, None] & upper, -1.0, 1.0))
            passed = steps_below(medium.places(reached), weights, n)
            beyond = np.hstack([2.0 * (begun - self.start * passed), begun])
        return np.hstack([cells, ramps, beyond])

    def magnetisation(
        self, medium: Medium, u: Floats, reached: Floats, masses: Masses, by: Floats = NOWHERE
    ) -> Floats:
        """M (b, ..., n, q) by the columns' ``masses``, nodes feeling ``u`` (..., n, q), but each row by
        itself by each of ``by`` (b,) farther on, the first of which is 0; ``reached`` as above."""
        now = u + by.reshape(-1, *(1,) * u.ndim)
        places = medium.places(now)
        M = self.factor * self.links(medium, places, places[0]).mass(masses.cells)
        if len(self.turns):
            M += self.rests.astype(float) @ M[0][..., self.turns, :]
        M += np.sign(now) * masses.ramps.below(medium.climbed(now))
        if self.start:
            begun = masses.cells.whole - 2.0 * self.along * masses.cells.upper
            passed = masses.beyond.below(medium.places(np.maximum(reached, -self.start * now)))
            M += self.start * (begun + 2.0 * (masses.beyond.whole - passed) + masses.never)
        return M


class Past:
    """What lay before the first row: ``part`` between -1 and 1 of the sample magnetised, the rest virgin.

    The run's rows ``H`` (n,) have surviving turns of their own for either part.
    """

    def __init__(self, part: float, H: Floats) -> None:
        self.H = H
        shares = ((0, 1.0 - abs(part)), (int(np.sign(part)), abs(part)))
        self.stories = [(share, _Story(H, last_turns(H, s), s)) for s, share in shares if share > 0.0]

    def design(self, medium: Medium, u: Floats, weights: Floats) -> Floats:
        """(n, columns): sums over the nodes, which feel ``u`` (n, q), of ``weights`` (n, q) times M by
        column."""
        designs = (share * s.design(medium, u, s.reached(u), weights) for share, s in self.stories)
        return sum(designs, np.zeros(()))

    def state(self, medium: Medium, u: Floats, masses: Masses, by: Floats = NOWHERE) -> Floats:
        """M by the columns' ``masses``, nodes feeling ``u`` (..., n, q): (b, ..., n, q), each row by itself
        by each of ``by`` (b,), A/m, farther on, the first of which is 0."""
        states = (share * s.magnetisation(medium, u, s.reached(u), masses, by) for share, s in self.stories)
        return sum(states, np.zeros(()))

    def uniform(
        self, medium: Medium, row: int, turns_H_local: Floats, u: Floats, masses: Masses | None = None
    ) -> Floats:
        """M of a sample in the local field ``u`` (m,) throughout, on ``row``'s branch: (m,) by the columns'
        ``masses``, or without them (m, columns). ``turns_H_local`` (n,) is the local field of such a
        sample at the run's rows."""
        found = np.zeros(())
        for share, story in self.stories:
            branch, H_local, reached = self._branch(story, row, turns_H_local, u)
            if masses is None:
                M = branch.design(medium, H_local, reached, np.ones_like(H_local))
            else:
                M = branch.magnetisation(medium, H_local, reached, masses)[0, :, 0]
            found = found + share * M[-len(u) :]
        return found

    def _branch(
        self, story: _Story, row: int, turns_H_local: Floats, u: Floats
    ) -> tuple[_Story, Floats, Floats]:
        """The turns of a story up to ``row``, and from the last of them to each of ``u``; what is felt there
        (turns + m, 1) and had been reached."""
        turns, start = story.turns[story.rests[row]], story.start
        H_local = np.concatenate([turns_H_local[turns], u])[:, None]
        since, before = np.arange(len(H_local)), 0.0
        since[1 : len(turns)] -= 1
        away = np.sign(self.H[row])
        if len(turns):
            last = int(turns[-1])
            # The branch runs away from its last turn.
            away = -np.sign(self.H[last]) * np.inf
            before = story.reached(turns_H_local[: last + 1, None]).max()
            wiped = np.zeros(len(u), bool)
            if len(turns) == 1:
                # Like the rows of a run, a field beyond what the first turn remembers wipes it out.
                wiped = np.sign(away) * (u - _remembered(start, self.H[last], turns_H_local[last])) >= 0.0
            since[len(turns) :][~wiped] = len(turns) - 1
        H = np.concatenate([self.H[turns], np.full(len(u), away)])
        return _Story(H, since, start), H_local, np.maximum(before, -start * H_local)


def columns() -> int:
    """Unknowns of the linear problem: folded cells, ramps, and what lies beyond."""
    return len(grid().area) + RAMPS + grid().cells + 1
