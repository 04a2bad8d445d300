"""A second bench, for tests only: what a sample with memory at every point of its volume would weigh.

Nothing here is shared with the analysis or with the bench twin. The reference magnet's field comes
from current loops (complete elliptic integrals; the axial gradient of a uniformly magnetised cylinder
is the difference of two loops) or, for a block, from the charged faces. The material is a scalar
Preisach medium with product density p(alpha) p(-beta), followed by its reversal points (wiping-out and
congruency hold exactly), plus a reversible part. Formulas: J. D. Jackson, Classical Electrodynamics,
5.5 (loop field); I. D. Mayergoyz, Mathematical Models of Hysteresis, ch. 1 (Everett function): both
from memory, and checked in the tests against figures from elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal, Protocol

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import ellipe, ellipk

MU0 = 1.25663706127e-6
Array = np.ndarray
Demagnetising = Literal["mean", "local", "layered"]
Start = Literal["virgin", "up", "down"]


# ---- reference magnets: (Bz, dBz/dz) at (rho, z), z = 0 the near face, body below, remanence 1 T


def _loop_bz(radius: float, rho: Array, z: Array) -> Array:
    """Axial field of a current loop times radius-free units: current 1/mu0 A, so T."""
    s = (radius + rho) ** 2 + z**2
    m = 4.0 * radius * rho / s
    return (ellipk(m) + (radius**2 - rho**2 - z**2) / ((radius - rho) ** 2 + z**2) * ellipe(m)) / (
        2.0 * np.pi * np.sqrt(s)
    )


_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(96)


def _cylinder(radius: float, height: float, rho: Array, z: Array) -> tuple[Array, Array]:
    rho, z = np.broadcast_arrays(np.asarray(rho, float), np.asarray(z, float))
    sheets = 0.5 * height * (_GAUSS_X + 1.0)
    bz = np.zeros(rho.shape)
    for depth, weight in zip(sheets, 0.5 * height * _GAUSS_W, strict=True):
        bz += weight * _loop_bz(radius, rho, z + depth)
    return bz, _loop_bz(radius, rho, z + height) - _loop_bz(radius, rho, z)


def _block(length: float, width: float, height: float, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
    bz, gradient = np.zeros(np.broadcast(x, y, z).shape), np.zeros(np.broadcast(x, y, z).shape)
    for sx in (-1, 1):
        for sy in (-1, 1):
            u, v = 0.5 * length + sx * x, 0.5 * width + sy * y
            for sz, w in ((1, z), (-1, z + height)):
                r = np.sqrt(u * u + v * v + w * w)
                bz += sz * np.arctan(u * v / (w * r))
                gradient += -sz * u * v * (r * r + w * w) / (r * (w * w * r * r + u * u * v * v))
    return bz / (4.0 * np.pi), gradient / (4.0 * np.pi)


@dataclass(frozen=True)
class Magnet:
    """A reference magnet: lengths in m, remanence in T; ``inner`` is a ring's hole diameter."""

    shape: Literal["cylinder", "block", "ring"] = "cylinder"
    diameter: float = 20e-3
    height: float = 10e-3
    remanence: float = 1.32
    inner: float = 0.0
    length: float = 0.0
    width: float = 0.0

    def field(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """(Bz, dBz/dz) in T and T/m at points above the near face."""
        if self.shape == "block":
            bz, gradient = _block(self.length, self.width, self.height, x, y, z)
        else:
            rho = np.hypot(x, y)
            bz, gradient = _cylinder(0.5 * self.diameter, self.height, rho, z)
            if self.shape == "ring":
                inner = _cylinder(0.5 * self.inner, self.height, rho, z)
                bz, gradient = bz - inner[0], gradient - inner[1]
        return self.remanence * bz, self.remanence * gradient


# ---- the sample: points of its volume


@dataclass(frozen=True)
class Pellet:
    """A cylinder or block sample; nodes on equal-area rings (or a square grid) times axial layers."""

    shape: Literal["cylinder", "block"] = "cylinder"
    diameter: float = 6e-3
    height: float = 3e-3
    length: float = 0.0
    width: float = 0.0
    rings: int = 7
    layers: int = 12

    @property
    def volume(self) -> float:
        if self.shape == "block":
            return self.length * self.width * self.height
        return 0.25 * np.pi * self.diameter**2 * self.height

    def nodes(self) -> tuple[Array, Array, Array, Array]:
        """(x, y, z, weight), z from the lower face, weights sum to one."""
        gz, wz = np.polynomial.legendre.leggauss(self.layers)
        z, wz = 0.5 * self.height * (gz + 1.0), 0.5 * wz
        gr, wr = np.polynomial.legendre.leggauss(self.rings)
        if self.shape == "cylinder":
            rho, wr = 0.5 * self.diameter * np.sqrt(0.5 * (gr + 1.0)), 0.5 * wr
            return (
                np.repeat(rho, z.size),
                np.zeros(rho.size * z.size),
                np.tile(z, rho.size),
                np.outer(wr, wz).ravel(),
            )
        x, y = 0.5 * self.length * gr, 0.5 * self.width * gr
        grid = np.meshgrid(x, y, z, indexing="ij")
        weight = np.einsum("i,j,k->ijk", 0.5 * wr, 0.5 * wr, wz)
        return grid[0].ravel(), grid[1].ravel(), grid[2].ravel(), weight.ravel()

    def layered_tensor(self) -> tuple[Array, Array]:
        """Demagnetising interaction of the nodes' own cells (cylinder): H = -T M.

        Each node stands for an annular cell; the cell's field is that of two coaxial cylinders by
        the loop formula. Returned with the volume-mean factor implied by it.
        """
        wz = np.polynomial.legendre.leggauss(self.layers)[1]
        wr = np.polynomial.legendre.leggauss(self.rings)[1]
        z_edges = self.height * np.concatenate(([0.0], np.cumsum(0.5 * wz)))
        r_edges = 0.5 * self.diameter * np.sqrt(np.concatenate(([0.0], np.cumsum(0.5 * wr))))
        x, _, z, weight = self.nodes()
        tensor = np.zeros((x.size, x.size))
        for i in range(self.rings):
            for k in range(self.layers):
                bz = np.zeros(x.size)
                for radius, sign in ((r_edges[i + 1], 1.0), (r_edges[i], -1.0)):
                    if radius > 0.0:
                        height = z_edges[k + 1] - z_edges[k]
                        bz += sign * _cylinder(radius, height, x, z - z_edges[k + 1])[0]
                own = np.zeros(x.size)
                own[i * self.layers + k] = 1.0
                tensor[:, i * self.layers + k] = own - bz
        return tensor, weight


# ---- the material


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
    def _tables(self) -> tuple[CubicSpline, CubicSpline, CubicSpline, float]:
        x = np.linspace(-1.2e6, 1.2e6, 12001)

        def law(h: Array) -> Array:
            def one(s: float) -> Array:
                return 0.25 / s / np.cosh(np.clip((h - self.coercivity) / (2 * s), -300, 300)) ** 2

            return (1 - self.second) * one(self.width) + self.second * one(3 * self.width)

        p_up = CubicSpline(x, law(x)).antiderivative()
        up = CubicSpline(x, p_up(x))
        g = CubicSpline(x, law(-x)).antiderivative()
        q = CubicSpline(x, law(-x) * up(x)).antiderivative()
        whole = float(up(x[-1]) * (g(x[-1]) - g(x[0])) - (q(x[-1]) - q(x[0])))
        return up, g, q, whole

    def everett(self, high: Array, low: Array) -> Array:
        """Half the change of M between two reversal points, per irreversible saturation."""
        up, g, q, whole = self._tables
        high, low = np.clip(high, -1.19e6, 1.19e6), np.clip(low, -1.19e6, 1.19e6)
        return np.maximum(up(high) * (g(high) - g(low)) - (q(high) - q(low)), 0.0) / whole

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
        size = np.abs(path[0])
        m = np.sign(path[0]) * self.material.everett(size, -size)
        for a, b in pairwise(path):
            m = m + np.sign(b - a) * 2.0 * self.material.everett(np.maximum(a, b), np.minimum(a, b))
        return self.material.saturation * m + self.material.reversible_part(h)

    def go(self, h: Array) -> None:
        """Move the fields on to h and remember."""
        self.reversals = self._after(h)
        self.heading = np.where(h > self.now, 1, np.where(h < self.now, -1, self.heading))
        self.now = np.array(h, float)


# ---- one whole loop weighed


@dataclass(frozen=True)
class Weighed:
    """Rows in the order taken, and the truth behind them; arrays (n,), SI."""

    gap: Array
    orientation: Array
    leg: Array
    force: Array
    M: Array
    H_applied: Array
    N: float


def loop_gaps(gaps: Array) -> tuple[Array, Array, Array]:
    """(gap, orientation, leg) of the five legs; the turning point at the strongest field is taken once."""
    inward = np.sort(gaps)[::-1]
    outward = inward[::-1][1:]
    legs = [(inward, 1), (outward, 1), (inward, -1), (outward, -1), (inward, 1)]
    return (
        np.concatenate([g for g, _ in legs]),
        np.concatenate([np.full(g.size, o) for g, o in legs]),
        np.concatenate([np.full(g.size, i) for i, (g, _) in enumerate(legs)]),
    )


def weigh(
    magnet: Magnet,
    pellet: Pellet,
    material: HasMemory,
    gaps: Array,
    *,
    start: Start = "virgin",
    demagnetising: Demagnetising = "mean",
    path: tuple[Array, Array, Array] | None = None,
) -> Weighed:
    """Forces (N, attraction positive) of the five-leg loop, free of noise.

    ``demagnetising`` is how the sample's own field enters at each point: ``mean`` -N<M>, ``local``
    -N M(r), ``layered`` the full interaction of the cells (cylinder only). Self-consistent at every gap.
    """
    gap, orientation, leg = loop_gaps(gaps) if path is None else path
    x, y, z, weight = pellet.nodes()
    tensor = pellet.layered_tensor()[0] if pellet.shape == "cylinder" else None
    N = float(weight @ tensor.sum(axis=1)) if tensor is not None else block_factor(pellet)
    memory = material.memory(x.size, start)
    force, mean_m, mean_h = np.zeros(gap.size), np.zeros(gap.size), np.zeros(gap.size)
    fields = {g: magnet.field(x, y, z + g) for g in np.unique(gap)}
    for k, g in enumerate(gap):
        bz, gradient = fields[g]
        applied = orientation[k] * bz / MU0
        if demagnetising == "mean":
            h = solve_mean(memory, applied, weight, N)
        elif demagnetising == "local":
            h = solve_local(memory, applied, N)
        else:
            assert tensor is not None
            h = solve_local(memory, applied, N)
            for _ in range(60):
                m = memory.magnetisation(h)
                step = solve_local(memory, applied - tensor @ m + N * m, N) - h
                h = h + 0.7 * step
                if np.abs(step).max() < 30.0:  # A/m, a ten-thousandth of the fields
                    break
        m = memory.magnetisation(h)
        memory.go(h)
        force[k] = -orientation[k] * pellet.volume * (weight * gradient) @ m
        mean_m[k], mean_h[k] = weight @ m, weight @ applied
    return Weighed(gap, orientation, leg, force, mean_m, mean_h, N)


def block_factor(pellet: Pellet) -> float:
    """Magnetometric factor of a block from its own face charges, by the block's field formula."""
    x, y, z, weight = Pellet("block", 0.0, pellet.height, pellet.length, pellet.width, 24, 24).nodes()
    # Inside, the two charged faces give H alone, not B; z counts from the top face.
    h, _ = _block(pellet.length, pellet.width, pellet.height, x, y, z - pellet.height)
    return float(-weight @ h)


def solve_mean(memory: Remembers, applied: Array, weight: Array, N: float) -> Array:
    """h = applied - N <M(h)>: <M> by bisection (the difference falls with <M>)."""
    low, high = -memory.material.largest, memory.material.largest
    for _ in range(28):
        middle = 0.5 * (low + high)
        if weight @ memory.magnetisation(applied - N * middle) > middle:
            low = middle
        else:
            high = middle
    return applied - N * 0.5 * (low + high)


def solve_local(memory: Remembers, applied: Array, N: float) -> Array:
    """h + N M(h) = applied at every element, by bisection."""
    reach = N * memory.material.largest
    low, high = applied - reach, applied + reach
    for _ in range(28):
        middle = 0.5 * (low + high)
        below = middle + N * memory.magnetisation(middle) < applied
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
