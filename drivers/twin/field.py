"""The reference magnet's field, from the solid angles of its two charged faces.

A body magnetised uniformly along z carries the polarisation Br as a surface charge +Br on its
top face and -Br on its bottom face. The z field of a uniformly charged plane face is the charge
times the solid angle the face subtends, over 4 pi; so outside the magnet

    Bz = Br/(4 pi) * (Omega(top) - Omega(bottom))

for a cylinder (discs), a ring (disc minus disc) and a block (rectangles) alike. The slope of a
solid angle along z is, up to -4 pi, the z field of a unit current around the face's edge.
Solid angle of a disc: F. Paxton, Rev. Sci. Instrum. 30 (1959) 254 (from memory, held by the
tests against published fields); elliptic integrals from scipy.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: How far an uneven cylinder's core reaches, of its radius.
CORE_RADIUS = 0.6


def disc(radius: float, rho: Floats, z: Floats) -> tuple[Floats, Floats]:
    """Solid angle (sr) and its slope along z (sr/m) of a disc, ``z`` > 0 above its plane.

    ``rho`` (m) is the distance from the axis; arrays of one shape.
    """
    from scipy.special import ellipe, ellipk, elliprf, elliprj

    far2 = (radius + rho) ** 2 + z**2
    far = np.sqrt(far2)
    near2 = (radius - rho) ** 2 + z**2
    complement = near2 / far2
    m = 4.0 * radius * rho / far2
    gamma = (radius - rho) / (radius + rho)
    # K + gamma * Pi(1 - gamma^2 | m) in Carlson's forms; on the rim itself the second part is half a step.
    safe = np.where(gamma == 0.0, 1.0, gamma)
    kf = elliprf(0.0, complement, 1.0)
    third = kf + (1.0 - safe**2) / 3.0 * elliprj(0.0, complement, 1.0, safe**2)
    inside = np.where(gamma > 0.0, 2.0 * pi, np.where(gamma < 0.0, 0.0, pi))
    omega = inside - 2.0 * z / far * (kf + np.where(gamma == 0.0, 0.0, safe * third))
    edge = (ellipk(m) + (radius**2 - rho**2 - z**2) / near2 * ellipe(m)) / (2.0 * pi * far)
    return omega, -4.0 * pi * edge


def rectangle(length: float, width: float, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
    """Solid angle (sr) and its slope along z (sr/m) of a rectangle centred on the axis, ``z`` > 0."""
    omega = np.zeros_like(z)
    slope = np.zeros_like(z)
    for sign_x in (1.0, -1.0):
        for sign_y in (1.0, -1.0):
            u = x + sign_x * length / 2
            v = y + sign_y * width / 2
            r = np.sqrt(u**2 + v**2 + z**2)
            omega += sign_x * sign_y * np.arctan2(u * v, z * r)
            slope -= sign_x * sign_y * u * v * (r**2 + z**2) / (r * (u**2 + z**2) * (v**2 + z**2))
    return omega, slope


@dataclass(frozen=True)
class Magnet:
    """A reference magnet; its near face is z = 0, its body below. Lengths in m, remanence in T.

    ``size`` is (diameter,) of a cylinder, (outer, inner) of a ring, (length, width) of a block. A cylinder's
    ``core`` (its inner 0.6 of the radius) may be stronger than its rim, by that part of the mean remanence.
    """

    shape: str
    size: tuple[float, ...]
    height: float
    remanence: float
    core: float = 0.0

    def _face(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
        if self.shape == "block":
            return rectangle(self.size[0], self.size[1], x, y, z)
        rho = np.hypot(x, y)
        omega, slope = disc(self.size[0] / 2, rho, z)
        if self.shape == "ring":
            hole, hole_slope = disc(self.size[1] / 2, rho, z)
            omega, slope = omega - hole, slope - hole_slope
        if self.core:
            inner, inner_slope = disc(CORE_RADIUS * self.size[0] / 2, rho, z)
            even = 1.0 - self.core * CORE_RADIUS**2
            omega, slope = even * omega + self.core * inner, even * slope + self.core * inner_slope
        return omega, slope

    def field(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
        """Bz (T) and dBz/dz (T/m) at points above the near face (z > 0), arrays of one shape."""
        top, top_slope = self._face(x, y, z)
        bottom, bottom_slope = self._face(x, y, z + self.height)
        scale = self.remanence / (4.0 * pi)
        return scale * (top - bottom), scale * (top_slope - bottom_slope)
