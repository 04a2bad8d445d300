"""The cells of a hysteron density, on the triangle alpha >= beta, and masses on them.

They are even in places; which fields those are is the medium's (``Medium.places``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..records.arrays import Floats
from .everett import Cells, Steps, steps_below
from .settings import CELLS, EVEN, FINE, RAMPS


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
        """(cells, cells, rows) -> (rows, folded)."""
        flat = contributions.reshape(self.cells**2, -1)
        return (flat[self.one] + self.pair[:, None] * flat[self.two]).T


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


class Medium:
    """Cells and ramps for fields up to ``largest``, A/m; a place is a field counted in cells from the
    lowest. Cells are even, or closer together where ``wanted`` (FINE,) is larger, on even steps from zero to
    the largest field."""

    def __init__(self, largest: float, wanted: Floats | None = None) -> None:
        self.grid, self.largest = grid(), largest
        fine = np.linspace(0.0, 1.0, FINE + 1)
        if wanted is not None:
            fine = EVEN * fine + (1.0 - EVEN) * np.append(0.0, np.cumsum(wanted)) / wanted.sum()
        self._even, steps = wanted is None, np.diff(fine)
        #: Of the fine steps from zero: the place each begins at, from the middle, and how far it goes on.
        self._begin, self._on = 0.5 * self.grid.cells * fine, 0.5 * self.grid.cells * np.append(steps, 0.0)
        self.ramps_by_field = RAMPS / largest

    def places(self, u: Floats) -> Floats:
        """The places of fields ``u`` (...)."""
        half = 0.5 * self.grid.cells
        if self._even:
            return np.minimum(np.maximum(u * (half / self.largest) + half, 0.0), 2.0 * half)
        at = np.minimum(np.abs(u) * (FINE / self.largest), FINE)
        step = at.astype(np.intp)
        return half + np.copysign(self._begin[step] + (at - step) * self._on[step], u)

    def cells_by_field(self, u: Floats) -> Floats:
        """How the places go with fields ``u`` (...), cells in an A/m: none beyond the largest."""
        step = np.minimum(np.abs(u) * (FINE / self.largest), FINE).astype(np.intp)
        return self._on[step] * (FINE / self.largest)

    def width(self, u: Floats) -> Floats:
        """The width of the cell at fields ``u`` (...), A/m, or of the last one."""
        return 1.0 / self.cells_by_field(np.minimum(np.abs(u), (1.0 - 0.5 / FINE) * self.largest))

    def climbed(self, u: Floats) -> Floats:
        """How many ramps of the reversible part, odd in u, lie below its size: (...)."""
        return np.minimum(np.abs(u) * self.ramps_by_field, RAMPS)


def where_fields_are(at: Floats, weights: Floats) -> Floats:
    """How much of the ``weights`` (n, q) is on each of the steps (FINE,), in all one; ``at`` (n, q) fields by
    the largest."""
    there, _ = np.histogram(np.abs(at), np.linspace(0.0, 1.0, FINE + 1), weights=weights)
    return there / there.sum()


def where_M_changes(at: Floats, M: Floats, weights: Floats) -> Floats:
    """How much M (n, q) changes on each of the steps (FINE,), in all one, by ``weights`` (n, q), from one of
    the fields ``at`` (n, q), by the largest, to the next."""
    place = FINE * np.abs(at)
    way, change = np.diff(place, axis=0), np.abs(np.diff(M, axis=0)) * np.minimum(weights[1:], weights[:-1])
    by_way = np.divide(change, way, out=np.zeros_like(way), where=way != 0.0)
    there = (steps_below(place[1:], by_way, FINE) - steps_below(place[:-1], by_way, FINE)).sum(axis=0)
    return there / there.sum()


class Masses:
    """Masses of all columns (K,), summed up to be looked up at any place."""

    def __init__(self, columns: Floats) -> None:
        g = grid()
        cells, line, ramps, beyond = np.split(columns[:-1], [len(g.area), -g.cells - RAMPS, -g.cells])
        self.cells, self.ramps, self.beyond = Cells(g.unfolded(cells), line), Steps(ramps), Steps(beyond)
        self.never = float(columns[-1])


def columns() -> int:
    """Unknowns of the linear problem: folded cells, the line's steps, ramps, and what lies beyond."""
    return len(grid().area) + grid().cells // 2 + RAMPS + grid().cells + 1
