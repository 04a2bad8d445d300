"""Mass that lies evenly on steps, or on the cells of a triangle, below places or between them.

Places are counted in steps. The transposed is here too: what of every step or cell lies there, summed over
many places. The mass between two places is the Everett function of a hysteron density (``hysteron_history``).
"""

from __future__ import annotations

import numpy as np

from ..records.arrays import Floats, Indices


class Steps:
    """Masses (steps,), each on a step of its own."""

    def __init__(self, masses: Floats) -> None:
        self.masses = np.append(masses, 0.0)
        self.sums = np.concatenate([[0.0], np.cumsum(self.masses)])
        self.whole = float(self.sums[-1])

    def below(self, places: Floats) -> Floats:
        """Mass below the places (...)."""
        i = places.astype(np.intp)
        return self.sums[i] + (places - i) * self.masses[i]

    def at(self, places: Floats) -> Floats:
        """Mass of the step on which each of the places (...) is."""
        return self.masses[places.astype(np.intp)]


class Cells:
    """Masses (cells, cells), each on a cell of its own: summed up to alpha from below and down to beta from
    above, at the corners of a table. ``line`` (cells / 2,): masses on the line alpha = -beta, on its steps
    from the middle outwards."""

    def __init__(self, masses: Floats, line: Floats) -> None:
        n = len(masses)
        table = np.zeros((n + 2, n + 2))
        table[1 : n + 1, :n] = masses.cumsum(axis=0)[:, ::-1].cumsum(axis=1)[:, ::-1]
        table[n + 1] = table[n]
        self.table = table.ravel()
        self.diagonal = np.append(masses.diagonal(), 0.0)
        self.line = Steps(line)
        self.whole, self.upper = float(masses.sum()) + self.line.whole, float(masses[:, n // 2 :].sum())


def steps_below(places: Floats, weights: Floats, steps: int) -> Floats:
    """What of every step lies below the places (n, q), summed over q by ``weights`` (n, q): (n, steps)."""
    return _below(np.arange(len(places))[:, None], places, weights, (len(places), steps))


def _below(rows: Indices, places: Floats, weights: Floats, shape: tuple[int, int]) -> Floats:
    """The same of places and ``weights`` of one form, summed over those of a row: ``shape`` (rows, steps)."""
    i, size = places.astype(np.intp), (shape[0], shape[1] + 1)
    inside, ended = (_gathered(rows, i, part, size) for part in (weights * (places - i), weights))
    return inside[:, :-1] + ended[:, :0:-1].cumsum(axis=1)[:, ::-1]


def _gathered(rows: Indices, index: Indices, weights: Floats, shape: tuple[int, int]) -> Floats:
    """The ``weights`` summed up where ``rows`` and ``index`` say, all of one form."""
    at = (rows * shape[1] + index).ravel()
    return np.asarray(np.bincount(at, weights.ravel(), shape[0] * shape[1]), float).reshape(shape)


class Triangles:
    """The triangles between two places, the higher and the lower (...), of as many ``cells`` along each axis;
    empty where the higher is below.

    What they hold is bilinear between corners, but for the cells of the diagonal, whose mass lies on the half
    within the triangle.
    """

    def __init__(self, high: Floats, low: Floats, cells: int) -> None:
        self.cells, self.size = cells, cells + 2
        i, j = high.astype(np.intp), low.astype(np.intp)
        x, y = high - i, low - j
        self.i, self.j, self.x, self.y = i, j, x, y
        self.corner = i * self.size + j
        self.apart, self.one = i > j, i == j
        alone = x * (1.0 - y) - np.maximum(x - y, 0.0) ** 2
        #: How much less of the diagonal's cells at both ends there is than were it bilinear.
        self.less_i = np.where(self.apart, x * (1.0 - x), np.where(self.one, alone, 0.0))
        self.less_j = np.where(self.apart, y * (1.0 - y), 0.0)
        #: How far from the middle either place is, and how far the line lies within the triangle.
        self.above, self.below = high - 0.5 * cells, 0.5 * cells - low
        self.along = np.maximum(np.minimum(self.above, self.below), 0.0)

    def mass(self, cells: Cells) -> Floats:
        """Mass in every triangle (...)."""
        size, corner, at, diagonal = self.size, self.corner, cells.table, cells.diagonal
        near, far = at[corner], at[corner + size]
        near = near + self.y * (at[corner + 1] - near)
        far = far + self.y * (at[corner + size + 1] - far)
        mass = near + self.x * (far - near) - diagonal[self.i] * self.less_i - diagonal[self.j] * self.less_j
        return mass + cells.line.below(self.along) if cells.line.whole else mass

    def slopes(self, cells: Cells) -> tuple[Floats, Floats]:
        """By how much the mass grows with the higher place and shrinks with the lower (...)."""
        size, corner, at, x, y = self.size, self.corner, cells.table, self.x, self.y
        one, two = cells.diagonal[self.i], cells.diagonal[self.j]
        near = at[corner + 1] - at[corner]
        far = at[corner + size + 1] - at[corner + size]
        higher = at[corner + size] - at[corner] + y * (far - near)
        alone = 2.0 * np.maximum(x - y, 0.0)
        higher -= one * np.where(self.apart, 1.0 - 2.0 * x, np.where(self.one, 1.0 - y - alone, 0.0))
        lower = near + x * (far - near) - two * np.where(self.apart, 1.0 - 2.0 * y, 0.0)
        lower -= one * np.where(self.one, alone - x, 0.0)
        if cells.line.whole:
            line = np.where(np.minimum(self.above, self.below) > 0.0, cells.line.at(self.along), 0.0)
            nearer = self.above < self.below
            higher, lower = higher + np.where(nearer, line, 0.0), lower - np.where(nearer, 0.0, line)
        return higher, -lower

    def line_shares(self, which: Indices, weights: Floats, rows: Indices, count: int) -> Floats:
        """The same as ``shares`` of every step of the line: (count, cells / 2)."""
        return _below(rows, self.along.ravel()[which], weights, (count, self.cells // 2))

    def shares(self, which: Indices, weights: Floats, rows: Indices, count: int) -> Floats:
        """What of every cell lies in the triangles, of which ``which`` (p,) are meant, counted one after the
        other, summed by ``weights`` (p,) and by the ``count`` ``rows`` (p,) that they belong to: (cells,
        cells, count), a row's last so that sums go along whole stretches of memory."""
        n, size = self.cells, self.size
        x, y, corner = self.x.ravel()[which], self.y.ravel()[which], self.corner.ravel()[which]
        far = weights * x
        near = weights - far
        corners = np.stack([corner, corner + 1, corner + size, corner + size + 1])
        split = np.stack([near - near * y, near * y, far - far * y, far * y])
        table = _gathered(corners, rows, split, (size**2, count)).reshape(size, size, count)
        for k in range(size - 2, 0, -1):
            table[k] += table[k + 1]
        cells = table[1 : n + 1, :n]
        for k in range(1, n):
            cells[:, k] += cells[:, k - 1]
        k = np.arange(n)
        for at, less in ((self.i, self.less_i), (self.j, self.less_j)):
            ends = _gathered(at.ravel()[which], rows, weights * less.ravel()[which], (n + 1, count))
            cells[k, k] -= ends[:n]
        return cells
