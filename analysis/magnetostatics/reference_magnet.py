"""The reference magnet's field: uniformly magnetised cylinder, ring or block, near face at z = 0.

All from closed forms. A gradient by differences loses digits close to the magnet's sharp edges, just where
a sample in contact needs them; the closed forms do not.

The axial gradient of a round magnet needs no integral: the magnet equals a sheet of current on its
mantle, the field is the integral of a current loop's field over the height, and so the gradient is the
difference of the loop's field at the two faces.

A magnet need not be even: its core may be stronger than its rim. It is then two bodies in one, of the same
moment together as the even one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet
from ..units import Measured
from .settings import CORE

#: The temperature at which a remanence is stated, K: 20 degrees Celsius. Common practice, no source.
REMANENCE_TEMPERATURE = 293.15


def cylinders(magnet: ReferenceMagnet) -> tuple[tuple[float, float], ...]:
    """A round magnet as (weight, radius in m) of full cylinders of its height, of its mean remanence.

    A ring is outer minus inner; a core stronger by ``core_excess`` is one cylinder more, the whole that
    much weaker that the moment stays. Raises ValueError for a block.
    """
    if magnet.shape == "cylinder":
        hole, outer = 0.0, _size(magnet, "diameter") / 2
    elif magnet.shape == "ring":
        hole, outer = _size(magnet, "inner_diameter") / 2, _size(magnet, "outer_diameter") / 2
    else:
        raise ValueError(f"a {magnet.shape} is not round")
    excess, core = magnet.core_excess.value, hole + CORE * (outer - hole)
    whole = 1.0 - excess * (core**2 - hole**2) / (outer**2 - hole**2)
    bodies = ((whole, outer), (excess, core), (-(whole + excess), hole))
    return tuple((weight, radius) for weight, radius in bodies if weight and radius)


def half_sides(magnet: ReferenceMagnet) -> tuple[float, float]:
    """Half the length (along x) and half the width (along y) of a block, m."""
    return _size(magnet, "length") / 2, _size(magnet, "width") / 2


def blocks(magnet: ReferenceMagnet) -> tuple[tuple[float, float, float], ...]:
    """A block as (weight, half length, half width) of blocks of its height: itself and its core."""
    (a, b), excess = half_sides(magnet), magnet.core_excess.value
    bodies = ((1.0 - excess * CORE**2, a, b), (excess, CORE * a, CORE * b))
    return tuple(body for body in bodies if body[0])


def is_round(magnet: ReferenceMagnet) -> bool:
    """True where the magnet is a body of revolution about z."""
    return magnet.shape != "block"


def volume(magnet: ReferenceMagnet) -> float:
    """The magnet's volume, m³."""
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
    """Field (T), gradient dB/dz (T/m) and d2B/dz2 (T/m²) on the axis at heights ``z`` (m), any shape.

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
    for weight, X, Y in blocks(magnet):
        for end, u in ((weight, near), (-weight, far)):
            r2 = X**2 + Y**2 + u**2
            slope = _corner_slope(X, Y, u)
            B += end * Br / np.pi * np.arctan2(X * Y, u * np.sqrt(r2))
            first += end * Br / np.pi * slope
            bend = 4 / (r2 + u**2) - 1 / r2 - 2 / (X**2 + u**2) - 2 / (Y**2 + u**2)
            second += end * Br / np.pi * slope * u * bend
    return B, first, second


def axial_field_and_gradient(magnet: ReferenceMagnet, points: ArrayLike) -> tuple[Floats, Floats]:
    """Bz (T) and dBz/dz (T/m), each of shape (...), at ``points`` (..., 3) in m above the near face.

    Field: Derby & Olbert, Am. J. Phys. 78 (2010) 229, for round magnets, corner sum
    of arc tangents for a block. Gradient: ``axial_gradient``; both exact.
    """
    at = np.asarray(points, float)
    x, y, z = at[..., 0], at[..., 1], at[..., 2]
    height, B = magnet.height.value, np.zeros(at.shape[:-1])
    if is_round(magnet):
        rho = np.hypot(x, y)
        for sign, R in cylinders(magnet):
            B += sign * _unit_cylinder(R, height, rho, z)
    else:
        for sign, X, Y, u in _corners(magnet, x, y, z):
            B += sign * np.arctan2(X * Y, u * np.sqrt(X**2 + Y**2 + u**2))
    return magnet.remanence.value * B, axial_gradient(magnet, at)


def axial_gradient(magnet: ReferenceMagnet, points: ArrayLike) -> Floats:
    """dBz/dz (T/m) of shape (...) at ``points`` (..., 3) in m above the near face: current loops at the two
    faces of a round magnet (complete elliptic integrals), the corner sum's derivative of a block."""
    at = np.asarray(points, float)
    x, y, z = at[..., 0], at[..., 1], at[..., 2]
    slope = np.zeros(x.shape)
    if is_round(magnet):
        rho = np.hypot(x, y)
        for sign, R in cylinders(magnet):
            slope += sign * (_unit_loop(R, rho, z + magnet.height.value) - _unit_loop(R, rho, z))
    else:
        for sign, X, Y, u in _corners(magnet, x, y, z):
            slope += sign * _corner_slope(X, Y, u)
    return magnet.remanence.value * slope


def _corners(
    magnet: ReferenceMagnet, x: Floats, y: Floats, z: Floats
) -> Iterator[tuple[float, Floats, Floats, Floats]]:
    """The corners of a block's charged faces as seen from places (...): weight, and how far (m) along each
    axis."""
    for weight, a, b in blocks(magnet):
        for end, u in ((weight, z), (-weight, z + magnet.height.value)):
            for X in (a - x, a + x):
                for Y in (b - y, b + y):
                    yield end / (4 * np.pi), X, Y, u


def _size(magnet: ReferenceMagnet, name: str) -> float:
    size = getattr(magnet, name)
    if size is None:
        raise ValueError(f"a reference magnet of shape {magnet.shape} needs its {name.replace('_', ' ')}")
    return size.value


def _unit_cylinder(R: float, height: float, rho: Floats, z: Floats) -> Floats:
    """B_z of a cylinder of 1 T with its near face at z = 0, at ``rho`` and ``z`` of one shape.

    The solenoid of Derby & Olbert, Am. J. Phys. 78 (2010) 229, eqs. 3 to 6.
    """
    apart = (R - rho) / (R + rho)
    # On the mantle's own radius the two ends' jumps cancel: any small number stands for zero there.
    apart = np.where(np.abs(apart) < 1e-12, 1e-12, apart)
    B = np.zeros(np.shape(rho))
    for end, u in ((1.0, z + height), (-1.0, z)):
        far = np.hypot(u, R + rho)
        k = np.hypot(u, R - rho) / far
        B += end * u / far * _cel(k, apart**2, apart)
    return B * R / (np.pi * (R + rho))


def _cel(k: Floats, p: Floats, s: Floats) -> Floats:
    """The complete elliptic integral of (cos^2 + s sin^2) / ((cos^2 + p sin^2) sqrt(cos^2 + k^2 sin^2)),
    k and p above zero: R. Bulirsch, Numer. Math. 7 (1965) 78, by Landen's transformation."""
    p = np.sqrt(p)
    c, s, m, geometric, kk = np.ones_like(k), s / p, np.ones_like(k), k, k
    while True:
        k_by_p = kk / p
        f, c = c, c + s / p
        s = 2.0 * (s + f * k_by_p)
        p = p + k_by_p
        before, m = m, m + geometric
        if np.all(np.abs(before - geometric) <= 1e-8 * before):
            return np.pi / 2 * (s + c * m) / (m * (m + p))
        geometric = 2.0 * np.sqrt(kk)
        kk = geometric * m


def _unit_loop(R: float, rho: Floats, z: Floats) -> Floats:
    """Axial field of a current loop of radius R carrying 1/μ0 ampere (complete elliptic integrals).

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
