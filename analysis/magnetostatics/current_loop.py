"""A coil in the sample's place: each turn a current loop in the reference magnet's field.

The force on a current loop along its axis is its current times the change of the flux through it. A round
magnet is a sheet of current on its mantle, Br/μ0 amperes a metre; the flux of all of it through a coaxial
turn changes as the mutual inductances of the turn with the magnet's two rims differ:

    attraction = I (Br/μ0) (M(z) - M(z + L)),   M = μ0 sqrt(a R) ((2/k - k) K - 2 E / k)

(J. C. Maxwell, A Treatise on Electricity and Magnetism, art. 701, from memory; K, E complete elliptic
integrals, k^2 = 4 a R / ((a + R)^2 + z^2)). It counts what a point of the same moment would not: a turn is as
wide as a sample. Off the axis, or over a block, the gradient is averaged over each turn's disc.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..records.arrays import Floats
from ..records.bench import Coil, ReferenceMagnet
from ..units import Measured
from .reference_magnet import axial_gradient, cylinders, is_round
from .settings import TURN_NODES, WINDING_NODES

#: Resistance of annealed copper by kelvin, of that at 20 degrees Celsius, and its linear expansion by kelvin:
#: IEC 60028, International standard of resistance for copper (0.003 93 and 0.000 017).
COPPER_RESISTANCE, COPPER_EXPANSION = 0.00393, 17e-6


def turn_area(coil: Coil) -> Measured:
    """Turns times area, m²: as measured, else from the sizes.

    A winding spread evenly from radius r to R has turns of mean area pi (r^2 + r R + R^2) / 3. One layer has
    one radius: its two diameters are one measurement.
    """
    if coil.turn_area is not None:
        return coil.turn_area
    r, R = coil.inner_diameter.value / 2, coil.outer_diameter.value / 2
    area = np.pi * (r**2 + r * R + R**2) / 3
    by = np.pi * np.array([2 * r + R, 2 * R + r]) / 3 * [coil.inner_diameter.u / 2, coil.outer_diameter.u / 2]
    u = by.sum() if r == R else np.hypot(*by)
    return Measured(coil.turns * float(area), coil.turns * float(u))


def warming(coil: Coil, resistance: float) -> float:
    """How far (K) above 20 degrees Celsius the winding is, by its present ``resistance`` (ohm)."""
    if coil.resistance is None:
        raise ValueError("the coil's resistance at 20 degrees Celsius is not stated")
    return (resistance / coil.resistance.value - 1) / COPPER_RESISTANCE


def coil_gradient(magnet: ReferenceMagnet, coil: Coil, gaps: ArrayLike, offset: float = 0.0) -> Floats:
    """The field gradient (T/m) that a coil's pull answers to, at ``gaps`` (n,) in m of its lower face.

    Attraction = current * turns times area * gradient (n,). ``offset`` (m) displaces the coil's axis along x.
    """
    x, w = np.polynomial.legendre.leggauss(WINDING_NODES)
    r, R = coil.inner_diameter.value / 2, coil.outer_diameter.value / 2
    one_layer = r == R
    radius = np.array([r]) if one_layer else (r + R) / 2 + (R - r) / 2 * x
    across = np.array([1.0]) if one_layer else w / 2
    height = coil.rise.value + coil.height.value / 2 * (1 + x)
    z = np.atleast_1d(np.asarray(gaps, float))[:, None, None] + height  # gap, radius, height
    weight = across[:, None] * radius[:, None] ** 2 * w / 2
    weight /= weight.sum()
    if offset == 0.0 and is_round(magnet):
        a, L = radius[:, None], magnet.height.value
        rims = sum(
            n * (mutual_inductance(a, R, z) - mutual_inductance(a, R, z + L)) for n, R in cylinders(magnet)
        )
        return magnet.remanence.value * np.einsum("nrh,rh->n", rims / (np.pi * a**2), weight)
    x, w = np.polynomial.legendre.leggauss(TURN_NODES)
    angle = (np.arange(4 * TURN_NODES) + 0.5) * 2 * np.pi / (4 * TURN_NODES)
    rho = radius[:, None, None, None] * np.sqrt((1 + x[:, None]) / 2)  # radius, height, disc, angle
    places = (offset + rho * np.cos(angle), rho * np.sin(angle), z[..., None, None])
    slope = axial_gradient(magnet, np.stack(np.broadcast_arrays(*places), axis=-1))
    return -np.einsum("nrhda,rh,d->n", slope, weight, w / (2 * len(angle)))


def mutual_inductance(a: Floats, R: Floats | float, z: Floats) -> Floats:
    """Mutual inductance of coaxial circles of radii ``a``, ``R`` (m) at a distance ``z``, by μ0: m."""
    from scipy.special import ellipe, ellipkm1

    far2 = (a + R) ** 2 + z**2
    m = np.minimum(4 * a * R / far2, 1.0)
    k = np.sqrt(m)
    K, E = ellipkm1(((a - R) ** 2 + z**2) / far2), ellipe(m)
    return np.sqrt(a * R) * ((2 / k - k) * K - 2 * E / k)
