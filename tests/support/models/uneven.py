"""Benches that are wrong as real ones are, for calibrations: magnet uneven, lift's scale off, axis beside.

The field is ``forward``'s (current loops). The reference magnet is stronger in its core, to a radius that no
file states, and its rear half differs; the pull on a coil is its current times the change of the flux through
its turns. Nothing here is the analysis's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np

from tests.support.models import forward
from tests.support.models.loops import MU0, PER_KG, TanhLoop

Array = np.ndarray
_AROUND = (np.arange(6) + 0.5) * np.pi / 6  # half a turn: the other half is its mirror image


@dataclass(frozen=True)
class Part:
    """A cylinder of ``remanence`` (T; below zero: what is missing) inside the magnet, ``depth`` of its face
    below the magnet's and its axis ``aside`` along x, lengths in m."""

    diameter: float
    height: float
    remanence: float
    depth: float = 0.0
    aside: float = 0.0


@dataclass(frozen=True)
class UnevenBench:
    """What a bench really is: lengths in m, remanence in T, ratios as parts of one.

    ``core`` is by how much of the mean remanence the core of radius ``core_radius`` (of the magnet's) is
    stronger than the rim, ``rear`` by how much the half away from the sample is stronger. ``scale`` is true
    height by reported height, ``aside`` the offset of sample and coil from the axis, ``parts`` whatever else
    is uneven.
    """

    remanence: float = 1.30
    diameter: float = 20e-3
    height: float = 10e-3
    core: float = 0.0
    core_radius: float = 0.6
    rear: float = 0.0
    contact: float = 1e-3
    scale: float = 1.0
    aside: float = 0.0
    parts: tuple[Part, ...] = ()

    def bodies(self) -> list[Part]:
        """Cylinders that together are the magnet."""
        even = self.remanence * (1 - self.core * self.core_radius**2)
        whole = Part(self.diameter, self.height, even)
        core = Part(self.core_radius * self.diameter, self.height, self.remanence * self.core)
        rear = Part(self.diameter, self.height / 2, self.remanence * self.rear, self.height / 2)
        return [part for part in (whole, core, rear, *self.parts) if part.remanence]

    def field(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """(Bz, dBz/dz) in T and T/m."""
        parts = [
            forward.Magnet(diameter=p.diameter, height=p.height, remanence=p.remanence).field(
                x - p.aside, y, z + p.depth
            )
            for p in self.bodies()
        ]
        return np.sum([p[0] for p in parts], axis=0), np.sum([p[1] for p in parts], axis=0)

    def gap(self, height: Array) -> Array:
        """The true gap at a reported height."""
        return self.contact + self.scale * np.asarray(height, float)

    def pull_on(self, coil: TrueCoil, height: Array, end: Array) -> Array:
        """Attraction (N/A) as ``coil_pull`` has it."""
        return coil_pull(self, coil, height, end)

    def weigh(self, disc: Disc, heights: Array) -> tuple[Array, Array, Array]:
        """A loop as ``weigh_loop`` has it."""
        return weigh_loop(self, disc, heights)


@dataclass(frozen=True)
class TrueCoil:
    """A winding of rectangular section: radii, height, rise of its lowest turn (m), ``turn_area`` (m^2)."""

    inner: float = 1.5e-3
    outer: float = 3.0e-3
    height: float = 3.0e-3
    rise: float = 1.0e-3
    thickness: float = 5.0e-3
    turn_area: float = 291 * 16.493361e-6


def coil_pull(bench: UnevenBench, coil: TrueCoil, height: Array, end: Array, current: float = 1.0) -> Array:
    """Attraction (N) on the coil at reported heights (n,), ``end`` (n,) +1 or -1 down.

    The flux through a turn changes with height by the mean of dBz/dz over the turn's disc; turns by their
    area, which grows with the squared radius.
    """
    g, w = np.polynomial.legendre.leggauss(5)
    turn, wt = (coil.outer + coil.inner) / 2 + (coil.outer - coil.inner) / 2 * g, w / 2
    weight = wt * turn**2 / (wt @ turn**2)
    z = coil.height * (g + 1) / 2
    rho = turn[:, None] * np.sqrt((g + 1) / 2)
    x = bench.aside + rho[:, :, None] * np.cos(_AROUND)
    y = rho[:, :, None] * np.sin(_AROUND)
    pulls = np.zeros(len(height))
    lift = np.where(end > 0, coil.rise, coil.thickness - coil.height - coil.rise)
    for k, base in enumerate(bench.gap(height) + lift):
        for level, share in zip(z, w / 2, strict=True):
            slope = np.zeros(np.broadcast_shapes(x.shape, y.shape))
            for body in bench.bodies():
                radial = np.hypot(x - body.aside, y)
                at = np.full(radial.shape, base + level + body.depth)
                R = body.diameter / 2
                slope += body.remanence * (
                    forward._loop_bz(R, radial, at + body.height) - forward._loop_bz(R, radial, at)
                )
            pulls[k] -= share * float(weight @ slope.mean(axis=2) @ (w / 2))
    return current * coil.turn_area * pulls


class HasFigures(Protocol):
    """A material whose figures are known."""

    @property
    def saturation(self) -> float:
        """A/m."""
        ...

    def figures(self) -> dict[str, float]:
        """SI, by the contract's names."""
        ...


@dataclass(frozen=True)
class Disc:
    """A sample of ``material``, sizes in m. ``own_field`` is that by what its shape makes; its parts feel one
    another as magnetostatics has it (``together``), or each its own magnetisation alone."""

    material: HasFigures
    diameter: float = 6e-3
    height: float = 3e-3
    own_field: float = 1.0
    together: bool = False


@lru_cache(maxsize=1)
def _nominal() -> tuple[Array, Array]:
    """The demagnetising tensor between the disc's points (q, q), and their weights. At the nominal size:
    sizes differ by parts in a thousand, which moves it by less."""
    return forward.Pellet("cylinder", 6e-3, 3e-3, rings=7, layers=12).layered_tensor()


def weigh_loop(bench: UnevenBench, disc: Disc, heights: Array) -> tuple[Array, Array, Array]:
    """(reported height, orientation, change of reading in kg) of a five-leg loop, free of noise."""
    height, orientation, leg = forward.loop_gaps(np.asarray(heights, float))
    pellet = forward.Pellet("cylinder", disc.diameter, disc.height, rings=7, layers=12)
    rho, _, z, weight = pellet.nodes()
    x = bench.aside + rho[:, None] * np.cos(_AROUND)
    y = rho[:, None] * np.sin(_AROUND)
    force = np.zeros(len(height))
    for at in np.unique(height):
        bz, slope = bench.field(x, y, np.broadcast_to(z[:, None] + bench.gap(at), x.shape))
        for falling in (True, False):
            for way in (1, -1):
                rows = (height == at) & (orientation == way) & (np.isin(leg, (1, 2)) == falling)
                if rows.any():
                    M = _magnetised(disc, way * bz / MU0, falling)
                    force[rows] = -way * pellet.volume * float(weight @ (slope * M).mean(axis=1))
    return height, orientation, -force / PER_KG


def _magnetised(disc: Disc, H: Array, falling: bool) -> Array:
    """M (q, around) in an applied field (A/m) on the descending branch, or on the ascending one."""
    if not falling:
        return -_magnetised(disc, -H, True)
    assert isinstance(disc.material, TanhLoop)
    tensor, weight = _nominal()
    N = disc.own_field * float(weight @ tensor.sum(axis=1))
    h = np.linspace(-600e3, 600e3, 24001)
    down = disc.material.descending(h)
    if not disc.together:
        return np.interp(H, h + N * down, down)
    # What a part feels beside -N times its own is the others', by their means around the axis: sought by
    # steps of half the change, which lies between the two that hold it.
    others = disc.own_field * tensor - N * np.eye(len(H))
    mean = np.interp(H, h + N * down, down).mean(axis=1)
    for _ in range(500):
        M = np.interp(H - (others @ mean)[:, None], h + N * down, down)
        change = M.mean(axis=1) - mean
        if np.abs(change).max() < 1e-6 * disc.material.saturation:
            return M
        mean = mean + 0.5 * change
    raise RuntimeError("the parts of the sample do not agree on their own field")
