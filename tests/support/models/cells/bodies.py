"""A sample cut into cells, each of which feels every other: closed forms between pieces of rings and between
boxes.

Rings: the charges on the faces of two coaxial rings, in Bessel functions (mode by mode of the angle); boxes:
A. J. Newell, W. Williams and
D. J. Dunlop, J. Geophys. Res. 98 (1993) 9551, equations 19 and 27 (from memory; checked against the tabled
factors of whole bodies).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray
from scipy.special import itj0y0, jv

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Body:
    """Cells of a sample whose lower face is at z = 0.

    ``tensor``[j, i] is the demagnetising field that unit magnetisation of the cells i makes in the cell j,
    with all
    the cells that symmetry makes equal to i; ``points`` (cell, point, 3) with equal weights are where a
    field is averaged over a cell.
    """

    volume: Floats  # with all its mirror images, m3
    tensor: Floats
    points: Floats
    height_of: Floats  # of the middle, 0 to 1

    @property
    def total(self) -> float:
        """The sample's volume in m3."""
        return float(self.volume.sum())

    @property
    def factor(self) -> float:
        """The volume average of the demagnetising field at uniform magnetisation."""
        return float(self.volume @ self.tensor.sum(axis=1) / self.total)


# ---- Rings
# --------------------------------------------------------------------------------------------------------


def _disc_transform(mode: int, q: Floats, radius: Floats) -> Floats:
    """Integral of r J_mode(q r) from 0 to each radius (radius, q); by the recurrences of Bessel functions."""
    x = q * radius[:, None]
    j0 = itj0y0(x)[0]
    # plain[m] = integral of J_m, moment[m] = integral of x J_m, both to x.
    plain, moment = [j0, 1 - jv(0, x)], [x * jv(1, x), -x * jv(0, x) + j0]
    for m in range(1, mode + 1):
        plain.append(plain[m - 1] - 2 * jv(m, x))
        moment.append(moment[m - 1] - 2 * x * jv(m, x) + 2 * plain[m])
    return moment[mode] / q**2


def _wavenumbers(size: float, reach: float) -> tuple[Floats, Floats]:
    """Nodes and weights for the integral over q, to ``reach`` over the ``size`` of the body."""
    edges = np.concatenate([np.geomspace(1e-3, 1.0, 6), np.arange(3.0, reach + 1, 2.0)]) / size
    edges = np.concatenate([[0.0], edges])
    knots, weights = np.polynomial.legendre.leggauss(6)
    lower, upper = edges[:-1, None], edges[1:, None]
    return ((lower + upper) / 2 + (upper - lower) / 2 * knots).ravel(), (
        (upper - lower) / 2 * weights
    ).ravel()


def _rings(slices: list[tuple[float, float, Floats]], sectors: int, fold: int) -> Body:
    """Cells of slices (lower, upper, radii from 0 outward), the angle cut into ``sectors`` of 1/(2 fold) of
    the circle."""
    radius = max(float(radii[-1]) for *_, radii in slices)
    q, weight = _wavenumbers(radius, 600.0)
    modes = [fold * k for k in range(sectors)]
    transforms = []
    for *_, radii in slices:
        transforms.append([np.diff(_disc_transform(m, q, radii), axis=0) for m in modes])
    areas = [np.pi * np.diff(radii**2) for *_, radii in slices]
    start = np.cumsum([0, *(len(area) for area in areas)])
    tensor = np.zeros((sectors, start[-1], start[-1]))
    known: dict[tuple[float, ...], Floats] = {}
    for s, (low_s, high_s, radii_s) in enumerate(slices):
        for t, (low_t, high_t, radii_t) in enumerate(slices):
            kernel = np.zeros_like(q)
            for a, b, sign in (
                (high_s, high_t, 1),
                (high_s, low_t, -1),
                (low_s, high_t, -1),
                (low_s, low_t, 1),
            ):
                kernel += sign * np.exp(-q * abs(a - b))
            key = (round(1e9 * (low_s - low_t)), radii_s[-1], radii_t[-1])
            for k in range(sectors):
                name = (k, *key)
                if name not in known:
                    block = (transforms[s][k] * kernel * weight) @ transforms[t][k].T
                    if s == t:
                        block += _tail(radii_s, float(q[-1]))
                    elif abs(s - t) == 1 and radii_s[-1] == radii_t[-1]:  # they share a face
                        block -= _tail(radii_s, float(q[-1])) / 2
                    known[name] = block
                rows = slice(start[s], start[s + 1])
                tensor[k, rows, start[t] : start[t + 1]] = (
                    np.pi * known[name] / (areas[s][:, None] * (high_s - low_s))
                )
    # Sectors feel one another by the modes of the angle: a cosine series over the middles of the sectors.
    angle = (np.arange(sectors) + 0.5) * np.pi / (sectors * fold)
    wave = np.cos(np.outer(angle, modes))
    share = np.where(np.array(modes) == 0, 1.0, 2.0) / sectors
    whole = np.einsum("km,m,lm,mij->kilj", wave, share, wave, tensor)
    cells = start[-1] * sectors
    flat = np.concatenate(areas) * np.concatenate(
        [np.full(len(a), h - z) for a, (z, h, _) in zip(areas, slices, strict=True)]
    )
    return Body(
        volume=np.tile(flat, sectors) / sectors,
        tensor=whole.reshape(cells, cells),
        points=_ring_points(slices, angle, fold),
        height_of=np.tile(
            np.concatenate([np.full(len(r) - 1, (z + h) / 2) for z, h, r in slices]) / slices[-1][1], sectors
        ),
    )


def _tail(radii: Floats, top: float) -> Floats:
    """What lies beyond the largest wavenumber, of a ring's two faces on themselves and on the rings beside
    it."""
    edges = np.diag(radii[:-1] + radii[1:]) - np.diag(radii[1:-1], 1) - np.diag(radii[1:-1], -1)
    return edges / (2 * np.pi * top**2) * 2


def _ring_points(slices: list[tuple[float, float, Floats]], angle: Floats, fold: int) -> Floats:
    """Two by two by two points of equal weight in every cell (two radii and one angle less where the sample
    is round)."""
    offset = 1 / np.sqrt(3)
    points = []
    turned = len(angle) > 1
    spread = np.pi / (2 * len(angle) * fold) * offset if turned else 0.0
    for middle in angle:
        for low, high, radii in slices:
            for inner, outer in pairwise(radii):
                mean, half = (inner**2 + outer**2) / 2, (outer**2 - inner**2) / 2 * offset
                here = [
                    (np.sqrt(square) * np.cos(phi), np.sqrt(square) * np.sin(phi), z)
                    for square in (mean - half, mean + half)
                    for phi in ((middle - spread, middle + spread) if turned else (middle,))
                    for z in ((low + high) / 2 + (high - low) / 2 * np.array([-offset, offset]))
                ]
                points.append(here)
    return np.array(points)


def cylinder(
    diameter: float, height: float, rings: int, layers: int, sectors: int = 1, fold: int = 1
) -> Body:
    """A cylinder; its rings of equal area, the layers equal (the field is strongest below: see
    ``points``)."""
    radii = diameter / 2 * np.sqrt(np.linspace(0, 1, rings + 1))
    z = np.linspace(0, height, layers + 1)
    return _rings([(a, b, radii) for a, b in pairwise(z)], sectors, fold)


def sphere(diameter: float, rings: int, layers: int, sectors: int = 1, fold: int = 1) -> Body:
    """A sphere as slices of its own volume. A uniform sphere feels a third of its magnetisation everywhere:
    what the
    steps of the slices make of it is put right on the diagonal."""
    z = np.linspace(0, diameter, layers + 1)
    slices = []
    for a, b in pairwise(z):
        square = (diameter * (b**2 - a**2) / 2 - (b**3 - a**3) / 3) / (b - a)
        count = max(2, round(rings * 2 * np.sqrt(square) / diameter))
        slices.append((a, b, np.sqrt(square * np.linspace(0, 1, count + 1))))
    body = _rings(slices, sectors, fold)
    np.fill_diagonal(body.tensor, np.diag(body.tensor) + 1 / 3 - body.tensor.sum(axis=1))
    return body


# ---- Boxes
# --------------------------------------------------------------------------------------------------------


def _newell(x: Floats, y: Floats, z: Floats) -> Floats:
    """Newell's f: from it come the axial factors along x by second differences."""
    x, y, z = np.abs(x), np.abs(y), np.abs(z)
    r = np.sqrt(x**2 + y**2 + z**2)
    tiny = 1e-300
    f = (2 * x**2 - y**2 - z**2) * r / 6
    f += y / 2 * (z**2 - x**2) * np.arcsinh(y / np.sqrt(x**2 + z**2 + tiny))
    f += z / 2 * (y**2 - x**2) * np.arcsinh(z / np.sqrt(x**2 + y**2 + tiny))
    return f - x * y * z * np.arctan2(y * z, x * r + tiny)


def box_factor(x: Floats, y: Floats, z: Floats, a: float, b: float, c: float) -> Floats:
    """Axial (z) demagnetising factor between equal boxes a x b x c, their middles (x, y, z) apart."""
    total = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y), np.shape(z)))
    for i, j, k in product((-1, 0, 1), repeat=3):
        sign = np.prod([2 if n == 0 else -1 for n in (i, j, k)])
        total += sign * _newell(z + k * c, y + j * b, x + i * a)
    return total / (4 * np.pi * a * b * c)


def block(length: float, width: float, height: float, across: int, layers: int, whole: bool = False) -> Body:
    """A block of ``across`` x ``across`` x ``layers`` boxes; one quarter of it, or half (y above zero) if
    ``whole``."""
    a, b, c = length / across, width / across, height / layers
    x = (np.arange(across) - (across - 1) / 2) * a
    y = (np.arange(across) - (across - 1) / 2) * b
    z = (np.arange(layers) + 0.5) * c
    keep_x, keep_y = (x if whole else x[across // 2 :]), y[across // 2 :]
    grid = np.array(list(product(keep_x, keep_y, z)))
    tensor = np.zeros((len(grid), len(grid)))
    images = [(sx, sy) for sx in ((1,) if whole else (1, -1)) for sy in (1, -1)]
    for sx, sy in images:
        apart = grid[:, None, :] - grid[None, :, :] * np.array([sx, sy, 1])
        tensor += box_factor(apart[..., 0], apart[..., 1], apart[..., 2], a, b, c)
    offset = np.array(list(product((-1, 1), repeat=3))) / (2 * np.sqrt(3)) * np.array([a, b, c])
    return Body(
        volume=np.full(len(grid), a * b * c * len(images)),
        tensor=tensor,
        points=grid[:, None, :] + offset,
        height_of=grid[:, 2] / height,
    )
