"""The reference magnet as sheets of current: loops, integrated along the height.

A body magnetised along z equals a sheet of current M per metre of height on its mantle. A ring is two
sheets, an
uneven core a second body inside. The loops: W. R. Smythe, *Static and Dynamic Electricity*, 3rd ed., 7.10
(circular, elliptic integrals), and Biot and Savart's law of a straight wire (rectangular).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ellipe, ellipk

Floats = NDArray[np.float64]


def round_loop(x: Floats, y: Floats, z: Floats, radius: float) -> Floats:
    """Axial field of a circular loop at z = 0 carrying one ampere, by mu0: in 1/m."""
    rho = np.hypot(x, y)
    outer = (radius + rho) ** 2 + z**2
    inner = (radius - rho) ** 2 + z**2
    m = 4 * radius * rho / outer
    return (ellipk(m) + (radius**2 - rho**2 - z**2) / inner * ellipe(m)) / (2 * np.pi * np.sqrt(outer))


def square_loop(x: Floats, y: Floats, z: Floats, length: float, width: float) -> Floats:
    """Axial field of a rectangular loop at z = 0, ``length`` along x, carrying one ampere, by mu0: in 1/m."""
    total = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y), np.shape(z)))
    # Two wires along x (their field upward grows with the distance inward in y), two along y.
    for along, across, half_along, half_across in (
        (x, y, length / 2, width / 2),
        (y, x, width / 2, length / 2),
    ):
        for side in (-1.0, 1.0):
            inward = half_across - side * across
            square = inward**2 + z**2
            for end in (-1.0, 1.0):
                leg = half_along - end * along
                total += inward * leg / (square * np.sqrt(square + leg**2))
    return total / (4 * np.pi)


def _panels(length: float, near: float) -> tuple[Floats, Floats]:
    """Depths below the near face and weights, panels growing away from the face by which ``near`` is."""
    edges = [0.0]
    step = near / 2
    while edges[-1] < length:
        edges.append(min(edges[-1] + step, length))
        step *= 1.6
    knots, weights = np.polynomial.legendre.leggauss(6)
    lower, upper = np.array(edges[:-1])[:, None], np.array(edges[1:])[:, None]
    depth = (lower + upper) / 2 + (upper - lower) / 2 * knots
    return depth.ravel(), ((upper - lower) / 2 * weights).ravel()


@dataclass(frozen=True, slots=True)
class SheetMagnet:
    """A magnet with its near face at z = 0 and its axis through the origin; lengths in m, remanence in T.

    ``core_excess`` is by how much the remanence of the inner part exceeds the rest's, ``core_size`` its size
    by the whole.
    """

    shape: str  # cylinder, ring or block
    length: float  # the diameter of a round one
    width: float
    height: float
    remanence: float
    hole: float = 0.0  # diameter
    core_excess: float = 0.0
    core_size: float = 0.6

    def _sheets(self) -> list[tuple[float, float, float]]:
        """Length, width and current of each sheet, in T."""
        sheets = [(self.length, self.width, self.remanence)]
        if self.hole:
            sheets.append((self.hole, self.hole, -self.remanence))
        if self.core_excess:
            hole = self.hole or 0.0
            length, width = (hole + self.core_size * (side - hole) for side in (self.length, self.width))
            sheets.append((length, width, self.remanence * self.core_excess))
            if hole:
                sheets.append((hole, hole, -self.remanence * self.core_excess))
        return sheets

    def _loops(self, x: Floats, y: Floats, z: Floats) -> Floats:
        total = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y), np.shape(z)))
        for length, width, current in self._sheets():
            if self.shape == "block":
                total += current * square_loop(x, y, z, length, width)
            else:
                total += current * round_loop(x, y, z, length / 2)
        return total

    def field(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Bz in T at points above the near face (z above zero)."""
        depth, weight = _panels(self.height, float(np.min(z)))
        return self._loops(x[..., None], y[..., None], z[..., None] + depth) @ weight

    def gradient(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """dBz/dz in T/m at points above the near face."""
        return self._loops(x, y, z + self.height) - self._loops(x, y, z)
