"""The history of a hysteron density: which cells of the (alpha, beta) triangle are up, at every row of a run.

Between two turning points M changes by twice the Everett function, a cell's part in the triangle they span
(``preisach_cells``). Linear in the density, so it is asked for as a matrix.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from ..records.arrays import Bools, Floats, Indices
from .everett import Triangles, steps_below
from .preisach_cells import Masses, Medium
from .settings import IN_CACHE, RAMPS, ROWS_AT_ONCE


def last_turns(u: Floats, start: int = 0) -> Indices:
    """For every row and node the last earlier row at which the node's field ``u`` (n, q) turned and that it
    has not since passed again; the row itself where there is none (n, q).

    From a virgin sample (``start`` 0) a single turn is passed at its opposite; one magnetised along the
    field of its first row (its sign ``start``) turned at zero before, which is passed there; one magnetised
    against it came from farther away than any field here.
    """
    n, q = u.shape
    node = np.arange(q)
    turns, depth = np.zeros((n + 1, q), np.intp), np.zeros(q, np.intp)
    last = np.empty((n, q), np.intp)
    steps = np.sign(np.diff(u, axis=0, prepend=0.0))
    turned = _turned(steps)
    # Between the rows at which any node turns, each goes one way only.
    for begin, end in pairwise([0, *map(int, np.flatnonzero(turned.any(axis=1))), n]):
        on = node[turned[begin]]
        turns[depth[on], on] = begin - 1
        depth[on] += 1
        here, step = u[begin:end], steps[begin:end]
        rest = np.arange(begin, end)[:, None]
        at = np.broadcast_to(depth, here.shape).copy()
        on = node[depth >= 2]
        while len(on):
            before = u[turns[depth[on] - 2, on], on]
            passed = np.logical_or.accumulate(_beyond(here[:, on], step[:, on], before))
            on, passed = on[passed[-1]], passed[:, passed[-1]]
            at[:, on] -= 2 * passed
            depth[on] -= 2
            on = on[depth[on] >= 2]
        on = node[depth == 1]
        if len(on):
            first = u[turns[0, on], on]
            moved = step[:, on]
            beyond = _beyond(here[:, on], moved, _remembered(start, first))
            wiped = np.logical_or.accumulate((at[:, on] == 1) & beyond & (moved * first <= 0.0))
            at[:, on] -= wiped
            depth[on] -= wiped[-1]
        last[begin:end] = np.where(at > 0, turns[at - 1, node], rest)
    return last


def _turned(steps: Floats) -> Bools:
    """Where a step (n, q) goes against the one before that went anywhere."""
    row = np.arange(len(steps))[:, None]
    moved = np.maximum.accumulate(np.where(steps != 0.0, row, 0), axis=0)
    heading = np.take_along_axis(steps, moved, axis=0)
    turned = np.zeros(steps.shape, bool)
    turned[1:] = steps[1:] * heading[:-1] < 0.0
    return turned


def _beyond(u: Floats, step: Floats, limit: Floats) -> Bools:
    """Where ``u``, which went by a ``step``, has come to a ``limit`` (all (..., q))."""
    return ((step > 0.0) & (u >= limit)) | ((step < 0.0) & (u <= limit))


def _remembered(start: int, u: Floats) -> Floats:
    """How far back the field must go to wipe out a first turn at ``u``: a virgin sample forgets it at the
    same field reversed, one magnetised along it at none, and one magnetised against it (which the turn itself
    has turned over) never."""
    if start == 0:
        return -u
    return np.where(start * u > 0.0, 0.0, -np.sign(u) * np.inf)


class _Story:
    """The history of a sample that began virgin (``start`` 0) or magnetised (1, -1), whose nodes feel ``u``
    (n, q) at the rows of a run and last turned at the rows ``since`` (n, q).

    A node's state at a row is that at its last turn and what the field has turned over since: a link of a
    chain that goes back, turn by turn, to where the sample began. Rows and nodes are counted one after the
    other, row by row.
    """

    def __init__(self, u: Floats, since: Indices, start: int) -> None:
        n, q = u.shape
        self.start, self.at = start, since * q + np.arange(q)
        self.fresh = since == np.arange(n)[:, None]
        self.rising = np.where(self.fresh, u > 0.0, self.before(u) < u)
        self.factor = np.where(self.rising, 2.0, -2.0)
        if start == 0:
            # A virgin cell is up or down by the side of the mirror's line on which it lies.
            self.factor[self.fresh] *= 0.5
        #: Where any node turned, and which of those each last did; one more, which is none.
        turns = np.zeros(n * q, bool)
        turns[self.at[~self.fresh]] = True
        self.turns, number = np.flatnonzero(turns), np.cumsum(turns) - 1
        self.last = np.where(self.fresh, len(self.turns), number[self.at])
        self.turn_before = np.append(self.last.ravel()[self.turns], len(self.turns))
        #: One begun along its magnetisation has turned in no field before, which took its upper cells down;
        #: one begun against it comes from farther away than any field here.
        self.along = np.zeros(u.shape, bool)
        if start:
            begun = np.where(self.fresh, start * u, 0.0)
            self.along = begun + self.summed(begun) > 0.0

    def like(self, other: _Story) -> bool:
        """Whether all nodes turn at the same rows, and to the same side."""
        same = np.array_equal(self.at, other.at) and np.array_equal(self.rising, other.rising)
        return same and np.array_equal(self.along, other.along)

    def before(self, values: Floats, rows: slice = slice(None)) -> Floats:
        """What each node had at its last turn, of ``values`` (n, q): of some of the rows."""
        return values.ravel()[self.at[rows]]

    def chain(self) -> Iterator[tuple[Bools, Indices]]:
        """Link by link back from every row: where there is one more (n, q), and where it ends."""
        at, on = self.at, ~self.fresh
        while on.any():
            yield on, at
            on, at = on & ~self.fresh.ravel()[at], self.at.ravel()[at]

    def summed(self, of_links: Floats) -> Floats:
        """The sum of ``of_links`` (n, q) along the chain of each row, but for its own: (n, q)."""
        own = np.append(of_links.ravel()[self.turns], 0.0)
        at_turns, on = own.copy(), self.turn_before
        while on.min() < len(self.turns):
            at_turns += own[on]
            on = self.turn_before[on]
        return at_turns[self.last]

    def links(self, medium: Medium, places: Floats, rows: slice = slice(None)) -> Triangles:
        """What has turned over since each row's last turn, of some of the rows, all of which have come to
        the ``places`` (n, q)."""
        cells, now = medium.grid.cells, places[rows]
        rising = self.rising[rows]
        if self.start == 0:
            begun = cells - now
        else:
            begun = np.where(self.along[rows], 0.5 * cells, np.where(rising, 0.0, cells))
        since = np.where(self.fresh[rows], begun, self.before(places, rows))
        return Triangles(np.where(rising, now, since), np.where(rising, since, now), cells)

    def reached(self, u: Floats) -> Floats:
        """The largest field against ``start`` so far, from none; u (n, q)."""
        return np.maximum.accumulate(np.maximum(-self.start * u, 0.0))

    def kept(self, medium: Medium, u: Floats, masses: Masses, felt: float, slope: Floats) -> Floats:
        """What is left at each row (n, q) of a change of M at its last turn, by which all that was turned
        over since moves: nodes feel ``u`` (n, q), which ``felt`` times their own M was taken off, and M goes
        with that by ``slope`` (n, q)."""
        higher, lower = self.links(medium, medium.places(u)).slopes(masses.cells)
        lost, by_field = np.where(self.rising, lower, higher), medium.cells_by_field(u)
        by_field, slope = self.before(by_field), self.before(slope)
        lost = 2.0 * lost * by_field + self.before(masses.ramps.at(medium.climbed(u)) * medium.ramps_by_field)
        return np.where(self.fresh, 1.0, (1.0 + felt * lost) / (1.0 + felt * slope))

    def design(
        self, medium: Medium, u: Floats, reached: Floats, weights: Floats, kept: Floats | None = None
    ) -> Floats:
        """(n, columns): sums over the nodes, which feel ``u`` (n, q), of ``weights`` (n, q) times M by
        column; ``reached`` (n, q) is the largest field against ``start`` so far. At a row's earlier turns its
        weights are less by what is ``kept`` of them.

        Of a mirror pair of hysterons of a sample magnetised before, with one threshold within the fields of
        the run, t, one is never turned and the other but once, by the first field beyond t against
        ``start``: together twice ``start`` until then, nothing after. The last column is those never
        turned at all.
        """
        n, places = medium.grid.cells, medium.places(u)
        triangles, factor = self.links(medium, places), self.factor.ravel()
        cells, line = np.empty((len(u), len(medium.grid.area))), np.empty((len(u), n // 2))
        chain = [(np.ones(u.shape, bool), np.arange(u.size).reshape(u.shape)), *self.chain()]
        by_turn = [weights]
        for (_, at), (on, _) in pairwise(chain):
            left = by_turn[-1]
            by_turn.append(left if kept is None else np.where(on, left * kept.ravel()[at], left))
        for start in range(0, len(u), ROWS_AT_ONCE):
            some = slice(start, start + ROWS_AT_ONCE)
            rows, nodes = zip(*(np.nonzero(on[some]) for on, _ in chain), strict=True)
            links = [at[some][i, j] for (_, at), i, j in zip(chain, rows, nodes, strict=True)]
            row, link = np.concatenate(rows), np.concatenate(links)
            of_links = [w[some][i, j] for w, i, j in zip(by_turn, rows, nodes, strict=True)]
            by_link = factor[link] * np.concatenate(of_links)
            of = link, by_link, row, len(weights[some])
            cells[some], line[some] = medium.grid.folded(triangles.shares(*of)), triangles.line_shares(*of)
        climbed, sign = medium.climbed(u), np.sign(u)
        ramps = steps_below(climbed, weights * sign, RAMPS)
        for (before, after), (_, at) in zip(pairwise(by_turn), chain[1:], strict=True):
            # The reversible part is that of the row itself, and of a turn only as far as this was felt.
            if after is not before:
                ramps += steps_below(climbed.ravel()[at], (after - before) * sign.ravel()[at], RAMPS)
        weights = by_turn[-1]
        beyond = np.zeros((len(u), n + 1))
        if self.start:
            begun = self.start * weights.sum(axis=1, keepdims=True)
            along = 2.0 * self.start * (self.along * weights).sum(axis=1, keepdims=True)
            upper = np.broadcast_to(np.arange(n) >= n // 2, (n, n)).astype(float)
            cells += begun * medium.grid.folded(np.ones((n, n))) - along * medium.grid.folded(upper)
            line += begun
            passed = steps_below(medium.places(reached), weights, n)
            beyond = np.hstack([2.0 * (begun - self.start * passed), begun])
        return np.hstack([cells, line, ramps, beyond])

    def state(self, medium: Medium, u: Floats, reached: Floats, masses: Masses) -> tuple[Floats, Floats]:
        """M by the columns' ``masses``, nodes feeling ``u`` (n, q), and how it goes with each row's own
        field; ``reached`` as above."""
        places, M, slope = medium.places(u), np.empty(u.shape), np.empty(u.shape)
        some = max(IN_CACHE // u.shape[1], 1)
        for begin in range(0, len(u), some):
            rows = slice(begin, begin + some)
            links = self.links(medium, places, rows)
            M[rows] = self.factor[rows] * links.mass(masses.cells)
            higher, lower = links.slopes(masses.cells)
            turned = np.where(self.rising[rows], higher, lower)
            if self.start == 0:
                # The other place of a virgin sample's triangle is the mirrored one.
                turned = np.where(self.fresh[rows], 0.5 * (higher + lower), turned)
            slope[rows] = 2.0 * turned
        M += self.summed(M)
        climbed, by_field = medium.climbed(u), medium.cells_by_field(u)
        M += np.sign(u) * masses.ramps.below(climbed)
        if self.start:
            begun = masses.cells.whole - 2.0 * self.along * masses.cells.upper
            places = medium.places(reached)
            never_yet = masses.beyond.whole - masses.beyond.below(places)
            M += self.start * (begun + 2.0 * never_yet + masses.never)
            slope += np.where(-self.start * u >= reached, 2.0 * masses.beyond.at(places), 0.0)
        return M, slope * by_field + masses.ramps.at(climbed) * medium.ramps_by_field


class History:
    """What the nodes of a sample went through, each share of which began in a way of its own."""

    def __init__(self, shares: Sequence[tuple[float, int]], turning: Floats) -> None:
        self.shares = [(share, _Story(turning, last_turns(turning, start), start)) for share, start in shares]

    def like(self, other: History) -> bool:
        """Whether all nodes turn at the same rows, and to the same side."""
        pairs = zip(self.shares, other.shares, strict=False)
        return len(self.shares) == len(other.shares) and all(a.like(b) for (_, a), (_, b) in pairs)

    def kept(self, medium: Medium, u: Floats, masses: Masses, felt: float, slope: Floats) -> list[Floats]:
        """For each share of the sample (n, q): what is left at a row of a change of M at its last turn, where
        nodes feel themselves (``_Story.kept``)."""
        return [s.kept(medium, u, masses, felt, slope) for _, s in self.shares]

    def design(
        self, medium: Medium, u: Floats, weights: Floats, kept: Sequence[Floats] | None = None
    ) -> Floats:
        """(n, columns): sums over the nodes, which feel ``u`` (n, q), of ``weights`` (n, q) times M by
        column; ``kept`` of nodes that feel themselves."""
        found = np.zeros(())
        for i, (share, s) in enumerate(self.shares):
            left = None if kept is None else kept[i]
            found = found + share * s.design(medium, u, s.reached(u), weights, left)
        return found

    def state(self, medium: Medium, u: Floats, masses: Masses) -> tuple[Floats, Floats]:
        """M by the columns' ``masses``, nodes feeling ``u`` (n, q), and how it goes with each row's own
        field."""
        M, slope = np.zeros(()), np.zeros(())
        for share, s in self.shares:
            one = s.state(medium, u, s.reached(u), masses)
            M, slope = M + share * one[0], slope + share * one[1]
        return M, slope


class Past:
    """What lay before the first row: ``part`` between -1 and 1 of the sample magnetised, the rest virgin."""

    def __init__(self, part: float) -> None:
        shares = ((0, 1.0 - abs(part)), (int(np.sign(part)), abs(part)))
        self.shares = [(share, start) for start, share in shares if share > 0.0]

    def followed(self, turning: Floats) -> History:
        """What was before, and what nodes do whose fields turn as ``turning`` (n, q)."""
        return History(self.shares, turning)

    def uniform(
        self, medium: Medium, row: int, turns_H_local: Floats, u: Floats, masses: Masses | None = None
    ) -> Floats:
        """M of a sample in the local field ``u`` (m,) throughout, on ``row``'s branch: (m,) by the columns'
        ``masses``, or without them (m, columns). ``turns_H_local`` (n,) is the local field of such a
        sample at the run's rows."""
        found = np.zeros(())
        for share, start in self.shares:
            branch, H_local, reached = _branch(start, turns_H_local[: row + 1], u)
            if masses is None:
                M = branch.design(medium, H_local, reached, np.ones_like(H_local))
            else:
                M = branch.state(medium, H_local, reached, masses)[0][:, 0]
            found = found + share * M[-len(u) :]
        return found


def _branch(start: int, turns_H_local: Floats, u: Floats) -> tuple[_Story, Floats, Floats]:
    """The turns that the last of rows of local field ``turns_H_local`` (k,) rests on, and from there to each
    of ``u`` (m,); what is felt (turns + m, 1) and had been reached."""
    story = _Story(turns_H_local[:, None], last_turns(turns_H_local[:, None], start), start)
    turns = np.array([at[-1, 0] for on, at in story.chain() if on[-1, 0]][::-1], np.intp)
    H_local = np.concatenate([turns_H_local[turns], u])[:, None]
    since, before = np.arange(len(H_local)), 0.0
    since[1 : len(turns)] -= 1
    if len(turns):
        before = story.reached(turns_H_local[: turns[-1] + 1, None]).max()
        wiped = np.zeros(len(u), bool)
        if len(turns) == 1:
            # Like the rows of a run, a field beyond what the first turn remembers wipes it out.
            first = turns_H_local[turns]
            wiped = np.sign(first) * (u - _remembered(start, first)) <= 0.0
        since[len(turns) :][~wiped] = len(turns) - 1
    return _Story(H_local, since[:, None], start), H_local, np.maximum(before, -start * H_local)
