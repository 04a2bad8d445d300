"""A material with memory for the second bench: a scalar Preisach medium that keeps its reversal points.

Product density p(alpha) p(-beta), so that wiping-out and congruency hold exactly, and a reversible part.
Formulas: I. D. Mayergoyz, Mathematical Models of Hysteresis, ch. 1 (Everett function), from memory, and
checked in the tests against figures from elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from scipy.interpolate import CubicSpline

Array = np.ndarray
Start = Literal["virgin", "up", "down"]

#: Switching fields are tabulated from -_END to _END, in pieces of _PIECE, A/m.
_END, _PIECE = 1.2e6, 200.0


class Remembers(Protocol):
    """The state of many independent elements of a material."""

    @property
    def material(self) -> HasMemory:
        """What they are of."""
        ...

    def magnetisation(self, h: Array) -> Array:
        """M (A/m) of every element if the field went on to h; commits nothing."""
        ...

    def go(self, h: Array) -> None:
        """Move the fields on to h and remember."""
        ...


class HasMemory(Protocol):
    """A material (this one, or ``grains``)."""

    @property
    def largest(self) -> float:
        """More than M ever is, A/m."""
        ...

    def major_descending(self, h: Array) -> Array:
        """M on the branch from full positive saturation."""
        ...

    def memory(self, size: int, start: Start) -> Remembers:
        """Many independent elements of it."""
        ...


@dataclass(frozen=True)
class Material:
    """Scalar Preisach medium, product density of a mixture of logistic laws; all in A/m.

    ``saturation`` is the irreversible part's; ``coercivity`` the centre of the up-switching fields,
    ``width`` its logistic scale; ``second`` of them follow a law three times as wide. The reversible
    part adds ``reversible`` * (2/pi) atan(h / ``reversible_field``).
    """

    saturation: float = 300e3
    coercivity: float = 60e3
    width: float = 9e3
    second: float = 0.0
    reversible: float = 20e3
    reversible_field: float = 150e3

    @property
    def largest(self) -> float:
        """More than M ever is, A/m."""
        return 1.01 * (self.saturation + self.reversible)

    @cached_property
    def _tables(self) -> tuple[Array, Array, float]:
        """Ends of the pieces (n,); polynomials of ``up``, ``g``, ``q`` on each, highest power first,
        (5, 3, n); the integral over the whole plane."""
        x = np.linspace(-_END, _END, 2 * round(_END / _PIECE) + 1)

        def law(h: Array) -> Array:
            def one(s: float) -> Array:
                return 0.25 / s / np.cosh(np.clip((h - self.coercivity) / (2 * s), -300, 300)) ** 2

            return (1 - self.second) * one(self.width) + self.second * one(3 * self.width)

        p_up = CubicSpline(x, law(x)).antiderivative()
        up = CubicSpline(x, p_up(x))
        g = CubicSpline(x, law(-x)).antiderivative()
        q = CubicSpline(x, law(-x) * up(x)).antiderivative()
        whole = float(up(x[-1]) * (g(x[-1]) - g(x[0])) - (q(x[-1]) - q(x[0])))
        pieces = np.zeros((5, 3, x.size - 1))
        for k, spline in enumerate((up, g, q)):
            pieces[5 - len(spline.c) :, k] = spline.c
        return x, pieces, whole

    def everett(self, high: Array, low: Array) -> Array:
        """Half the change of M between two reversal points, per irreversible saturation."""
        x, pieces, whole = self._tables
        h = np.array((high, low))
        np.minimum(h, 1.19e6, out=h)
        np.maximum(h, -1.19e6, out=h)
        # The pieces are all alike: no need to search for each field's own, as a spline does.
        piece = ((h + _END) / _PIECE).astype(int)
        h -= x[piece]
        highest, *others = pieces.take(piece, axis=2)
        values = highest * h
        for following in others[:-1]:
            values += following
            values *= h
        up, g, q = values + others[-1]
        return np.maximum(up[0] * (g[0] - g[1]) - (q[0] - q[1]), 0.0) / whole

    def reversible_part(self, h: Array) -> Array:
        return self.reversible * (2.0 / np.pi) * np.arctan(h / self.reversible_field)

    def memory(self, size: int, start: Start) -> Memory:
        """Many independent elements of it."""
        return Memory(self, size, start)

    def major_descending(self, h: Array) -> Array:
        """M on the branch from full positive saturation."""
        h = np.asarray(h, float)
        return self.saturation * (
            1.0 - 2.0 * self.everett(np.full(h.shape, 1.15e6), h)
        ) + self.reversible_part(h)


class Memory:
    """Reversal points of many independent elements; ``start`` is their state before the first field.

    ``reversals[i]`` are the surviving turning points of element i, alternating and nested; none
    means the element is on its virgin curve.
    """

    def __init__(self, material: Material, size: int, start: Start = "virgin") -> None:
        self.material = material
        self.reversals: list[tuple[float, ...]] = [
            {"virgin": (), "up": (1.15e6,), "down": (-1.15e6,)}[start]
        ] * size
        self.heading = np.full(size, {"virgin": 0, "up": -1, "down": 1}[start])
        self.now = np.zeros(size)

    @staticmethod
    def _surviving(reversals: tuple[float, ...], heading: int, now: float, h: float) -> tuple[float, ...]:
        """The turning points left after a move from ``now`` to ``h``."""
        if h == now:
            return reversals
        rising = h > now
        points = list(reversals)
        if heading != 0 and (heading > 0) != rising:
            points.append(now)
        while len(points) >= 2 and (h >= points[-2] if rising else h <= points[-2]):
            del points[-2:]
        if len(points) == 1 and (h >= -points[0] if rising else h <= -points[0]):
            points = []
        return tuple(points)

    def _after(self, h: Array) -> list[tuple[float, ...]]:
        return [
            self._surviving(*state)
            for state in zip(
                self.reversals, self.heading.tolist(), self.now.tolist(), h.tolist(), strict=True
            )
        ]

    def magnetisation(self, h: Array) -> Array:
        """M (A/m) of every element if the field went on to h; commits nothing."""
        reversals = self._after(h)
        depth = max(len(s) for s in reversals)
        path = np.array(
            [s + (x,) * (depth + 1 - len(s)) for s, x in zip(reversals, h.tolist(), strict=True)]
        ).T
        size = np.abs(path[:1])
        before, after = np.concatenate([-size, path[:-1]]), np.concatenate([size, path[1:]])
        change = self.material.everett(np.maximum(before, after), np.minimum(before, after))
        signs = 2.0 * np.sign(after - before)
        signs[0] = np.sign(path[0])
        m = (signs * change).sum(axis=0)
        return self.material.saturation * m + self.material.reversible_part(h)

    def go(self, h: Array) -> None:
        """Move the fields on to h and remember."""
        self.reversals = self._after(h)
        self.heading = np.where(h > self.now, 1, np.where(h < self.now, -1, self.heading))
        self.now = np.array(h, float)
