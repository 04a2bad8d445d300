"""The reference magnet's field: uniformly magnetised cylinder, ring or block, near face at z = 0.

Off the axis the field comes from magpylib; on the axis, and for the axial gradient anywhere, from
closed forms. A gradient by differences loses digits close to the magnet's sharp edges, just where a
sample in contact needs them; the closed forms do not.

The axial gradient of a round magnet needs no integral: the magnet equals a sheet of current on its
mantle, the field is the integral of a current loop's field over the height, and so the gradient is the
difference of the loop's field at the two faces.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet
from ..units import Measured

#: The temperature at which a remanence is stated, K: 20 degrees Celsius. Common practice, no source.
REMANENCE_TEMPERATURE = 293.15


def cylinders(magnet: ReferenceMagnet) -> tuple[tuple[float, float], ...]:
    """A round magnet as (sign, radius in m) of full cylinders of its height: a ring is outer minus inner.

    Raises ValueError for a block.
    """
    if magnet.shape == "cylinder":
        return ((1.0, _size(magnet, "diameter") / 2),)
    if magnet.shape == "ring":
        return ((1.0, _size(magnet, "outer_diameter") / 2), (-1.0, _size(magnet, "inner_diameter") / 2))
    raise ValueError(f"a {magnet.shape} is not round")


def half_sides(magnet: ReferenceMagnet) -> tuple[float, float]:
    """Half the length (along x) and half the width (along y) of a block, m."""
    return _size(magnet, "length") / 2, _size(magnet, "width") / 2


def is_round(magnet: ReferenceMagnet) -> bool:
    """True where the magnet is a body of revolution about z."""
    return magnet.shape != "block"


def volume(magnet: ReferenceMagnet) -> float:
    """The magnet's volume, m^3."""
    height = magnet.height.value
    if is_round(magnet):
        return height * sum(sign * np.pi * radius**2 for sign, radius in cylinders(magnet))
    a, b = half_sides(magnet)
    return 4 * a * b * height


def at_temperature(magnet: ReferenceMagnet, temperature: float) -> ReferenceMagnet:
    """The same magnet at ``temperature`` (K), its remanence changed by its temperature coefficient.

    The remanence is stated at 20 degrees Celsius: Br(T) = Br (1 + alpha (T - 293.15 K)); the
    coefficient's own uncertainty joins that of the remanence.
    """
    away = temperature - REMANENCE_TEMPERATURE
    alpha, Br = magnet.temperature_coefficient, magnet.remanence
    factor = 1 + alpha.value * away
    u = float(np.hypot(Br.u * factor, Br.value * alpha.u * away))
    return replace(magnet, remanence=Measured(Br.value * factor, u))


def on_axis(magnet: ReferenceMagnet, z: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Field (T), gradient dB/dz (T/m) and d2B/dz2 (T/m^2) on the axis at heights ``z`` (m), any shape.

    Closed forms of the uniformly magnetised cylinder and block (standard; Derby & Olbert, Am. J.
    Phys. 78 (2010) 229 for the solenoid); a ring is outer minus inner cylinder.
    """
    near = np.asarray(z, float)
    far = near + magnet.height.value
    Br = magnet.remanence.value
    B, first, second = np.zeros_like(near), np.zeros_like(near), np.zeros_like(near)
    if is_round(magnet):
        for sign, R in cylinders(magnet):
            for end, u in ((sign, far), (-sign, near)):
                r2 = R**2 + u**2
                B += end * Br / 2 * u / np.sqrt(r2)
                first += end * Br / 2 * R**2 / r2**1.5
                second -= end * Br * 1.5 * R**2 * u / r2**2.5
        return B, first, second
    X, Y = half_sides(magnet)
    for end, u in ((1.0, near), (-1.0, far)):
        r2 = X**2 + Y**2 + u**2
        slope = _corner_slope(X, Y, u)
        B += end * Br / np.pi * np.arctan2(X * Y, u * np.sqrt(r2))
        first += end * Br / np.pi * slope
        bend = 4 / (r2 + u**2) - 1 / r2 - 2 / (X**2 + u**2) - 2 / (Y**2 + u**2)
        second += end * Br / np.pi * slope * u * bend
    return B, first, second


def field(magnet: ReferenceMagnet, points: ArrayLike) -> Floats:
    """The field vectors (k, 3) in T at ``points`` (k, 3) in m, outside the magnet (magpylib)."""
    import magpylib as magpy

    height = magnet.height.value
    polarization, centre = (0.0, 0.0, magnet.remanence.value), (0.0, 0.0, -height / 2)
    at = np.asarray(points, float).reshape(-1, 3)
    if not is_round(magnet):
        a, b = half_sides(magnet)
        body = magpy.magnet.Cuboid(
            polarization=polarization, dimension=(2 * a, 2 * b, height), position=centre
        )
        return np.asarray(body.getB(at), float).reshape(-1, 3)
    B = np.zeros_like(at)
    rho = np.hypot(at[:, 0], at[:, 1])
    along = at[:, :2] / np.where(rho > 0, rho, 1.0)[:, None]
    for sign, R in cylinders(magnet):
        B_rho, B_z = _unit_cylinder(R, height, rho, at[:, 2])
        B[:, :2] += sign * magnet.remanence.value * B_rho[:, None] * along
        B[:, 2] += sign * magnet.remanence.value * B_z
    return B


def axial_field_and_gradient(magnet: ReferenceMagnet, points: ArrayLike) -> tuple[Floats, Floats]:
    """Bz (T) and dBz/dz (T/m), each of shape (...), at ``points`` (..., 3) in m above the near face.

    Field: Derby & Olbert, Am. J. Phys. 78 (2010) 229 (through magpylib) for round magnets, corner sum
    of arc tangents for a block. Gradient: current loops at the two faces (complete elliptic
    integrals), respectively the corner sum's derivative; both exact.
    """
    at = np.asarray(points, float)
    x, y, z = at[..., 0], at[..., 1], at[..., 2]
    height, Br = magnet.height.value, magnet.remanence.value
    B, slope = np.zeros(x.shape), np.zeros(x.shape)
    if is_round(magnet):
        rho = np.hypot(x, y)
        for sign, R in cylinders(magnet):
            B += sign * _unit_cylinder(R, height, rho.ravel(), z.ravel())[1].reshape(x.shape)
            slope += sign * (_unit_loop(R, rho, z + height) - _unit_loop(R, rho, z))
    else:
        a, b = half_sides(magnet)
        for end, u in ((1.0, z), (-1.0, z + height)):
            for side_x, X in ((1.0, a - x), (1.0, a + x)):
                for side_y, Y in ((1.0, b - y), (1.0, b + y)):
                    sign = end * side_x * side_y / (4 * np.pi)
                    r = np.sqrt(X**2 + Y**2 + u**2)
                    B += sign * np.arctan2(X * Y, u * r)
                    slope += sign * _corner_slope(X, Y, u)
    return Br * B, Br * slope


def _size(magnet: ReferenceMagnet, name: str) -> float:
    size = getattr(magnet, name)
    if size is None:
        raise ValueError(f"a reference magnet of shape {magnet.shape} needs its {name.replace('_', ' ')}")
    return size.value


def _unit_cylinder(R: float, height: float, rho: Floats, z: Floats) -> tuple[Floats, Floats]:
    """(B_rho, B_z) of a cylinder of 1 T with its near face at z = 0, at ``rho``, ``z`` of shape (k,)."""
    from magpylib.core import magnet_cylinder_axial_Bfield

    n = len(rho)
    B = magnet_cylinder_axial_Bfield(np.full(n, height / (2 * R)), rho / R, (z + height / 2) / R)
    return np.asarray(B[0], float), np.asarray(B[2], float)


def _unit_loop(R: float, rho: Floats, z: Floats) -> Floats:
    """Axial field of a current loop of radius R carrying 1/mu0 ampere (complete elliptic integrals).

    Smythe, Static and Dynamic Electricity, 7.10 (from memory; proved by the tests' other routes).
    """
    from scipy.special import ellipe, ellipkm1

    far2 = (R + rho) ** 2 + z**2
    near2 = (R - rho) ** 2 + z**2
    complement = near2 / far2
    K, E = ellipkm1(complement), ellipe(1 - complement)
    return (K + (R**2 - rho**2 - z**2) / near2 * E) / (2 * np.pi * np.sqrt(far2))


def _corner_slope(X: Floats | float, Y: Floats | float, u: Floats) -> Floats:
    """d/du of atan(XY/(u r)), r^2 = X^2 + Y^2 + u^2: one corner of a charged rectangle."""
    r2 = X**2 + Y**2 + u**2
    return -X * Y * (r2 + u**2) / (np.sqrt(r2) * (X**2 + u**2) * (Y**2 + u**2))
