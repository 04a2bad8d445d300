"""A second bench, for tests only: what a sample with memory at every point of its volume would weigh.

Nothing here is shared with the analysis or with the bench twin. The reference magnet's field comes
from current loops (complete elliptic integrals; the axial gradient of a uniformly magnetised cylinder
is the difference of two loops) or, for a block, from the charged faces. The material
(``preisach_medium``, ``grains``) is whatever keeps its own history. Formulas: J. D. Jackson, Classical
Electrodynamics, 5.5 (loop field), from memory, and checked in the tests against figures from elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import ellipe, ellipk

from .preisach_medium import HasMemory, Remembers, Start

MU0 = 1.25663706127e-6
Array = np.ndarray
Demagnetising = Literal["mean", "local", "layered"]


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
    # Some thousand numbers at a time: quicker than one by one, and than what no cache holds.
    some = max(1, 4096 // max(rho.size, 1))
    for at in range(0, len(sheets), some):
        depths = sheets[at : at + some].reshape(-1, *[1] * z.ndim)
        bz += np.tensordot(0.5 * height * _GAUSS_W[at : at + some], _loop_bz(radius, rho, z + depths), 1)
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

    @cache  # noqa: B019  (a few pellets a session)
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
            h = solve_layered(memory, applied, tensor, N)
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


#: How closely the fields in a sample are solved for, A/m.
_CLOSE = 1e-3
#: The same of layers that feel one another: at a bend of M what is left only creeps on.
_CLOSE_BY_LAYER = 0.1


def solve_mean(memory: Remembers, applied: Array, weight: Array, N: float) -> Array:
    """h = applied - N <M(h)>, by a bracketed search for <M> (the difference falls with <M>)."""
    largest = memory.material.largest

    def off(M: float) -> float:
        return float(weight @ memory.magnetisation(applied - N * M)) - M

    return applied - N * brentq(off, -largest, largest, xtol=_CLOSE)


def solve_local(memory: Remembers, applied: Array, N: float) -> Array:
    """h + N M(h) = applied at every element, by regula falsi between brackets (the Illinois rule: a bracket's
    end that stays twice counts half); the left side rises by one and more."""
    reach = N * memory.material.largest

    def off(h: Array) -> Array:
        return h + N * memory.magnetisation(h) - applied

    low, high = applied - reach, applied + reach
    at_low, at_high = off(low), off(high)
    stayed = np.zeros(len(applied))  # -1, 1: the last step moved the lower, the upper end
    for _ in range(100):
        h = high - at_high * (high - low) / np.maximum(at_high - at_low, 1e-300)
        found = off(h)
        if np.abs(found).max() < _CLOSE:
            return h
        rises = found < 0.0
        at_high = np.where(rises, np.where(stayed < 0, 0.5 * at_high, at_high), found)
        at_low = np.where(rises, found, np.where(stayed > 0, 0.5 * at_low, at_low))
        low, high, stayed = np.where(rises, h, low), np.where(rises, high, h), np.where(rises, -1.0, 1.0)
    raise AssertionError("the sample's own field was not found")


def solve_layered(memory: Remembers, applied: Array, tensor: Array, N: float) -> Array:
    """h + T M(h) = applied, by Newton's method from the elements alone: half the way where the whole would
    make it worse, and off a bend of M by the elements alone in what the others make."""
    h = solve_local(memory, applied, N)
    begun, step, length, least = h, np.zeros(len(h)), 1.0, np.inf
    for _ in range(300):
        m = memory.magnetisation(h)
        off = h + tensor @ m - applied
        size = float(np.abs(off).max())
        if size < _CLOSE_BY_LAYER:
            return h
        if size < least:
            slope = memory.magnetisation(h + 1.0) - m  # dM/dh, over 1 A/m
            begun, length, least = h, 1.0, size
            step = np.linalg.solve(np.eye(len(h)) + tensor * slope, off)
        elif length > 0.01:
            length *= 0.5
        else:
            m, length, least = memory.magnetisation(begun), 0.3, np.inf
            step = begun - solve_local(memory, applied - tensor @ m + N * m, N)
        h = begun - length * step
    raise AssertionError("the sample's own field was not found")
