"""The same benches as ``uneven``'s, of the bench twin's physics: the field of charged faces, a disc of
hysterons with memory whose rings feel one another, and the twin's own coil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from weighloop.drivers.twin.coil import CoilMaker, TwinCoil
from weighloop.drivers.twin.field import CORE_RADIUS, Magnet
from weighloop.drivers.twin.sample import AWAY, SampleMaterial, TwinSample
from weighloop.drivers.twin.true_figures import BEYOND_ALL, descending, figures

from . import forward
from .loops import PER_KG
from .uneven import Array, Disc, TrueCoil, UnevenBench


@dataclass(frozen=True)
class Hysterons:
    """A material of the twin's, with the figures that ``loops.TanhLoop`` has."""

    of_twin: SampleMaterial

    @property
    def saturation(self) -> float:
        """A/m."""
        return self.of_twin.saturation

    def figures(self) -> dict[str, float]:
        """The material's own, SI."""
        told = figures(descending(self.of_twin, BEYOND_ALL), BEYOND_ALL, self.saturation)
        return {name: value for name, value in told.items() if value is not None}


@dataclass(frozen=True)
class TwinUnevenBench(UnevenBench):
    """A bench of the twin's physics: its core reaches to 0.6 of the radius, its two halves are alike."""

    @property
    def magnet(self) -> Magnet:
        """The reference magnet."""
        assert self.core_radius == CORE_RADIUS
        assert not self.rear
        return Magnet("cylinder", (self.diameter,), self.height, self.remanence, self.core)

    def field(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """As ``UnevenBench``."""
        return self.magnet.field(*np.broadcast_arrays(x, y, z))

    def pull_on(self, coil: TrueCoil, height: Array, end: Array) -> Array:
        """As ``UnevenBench``."""
        maker = CoilMaker(
            2 * coil.inner, 2 * coil.outer, coil.height, coil.rise, coil.thickness, coil.turn_area, 9.0
        )
        twin = TwinCoil(maker, self.magnet, self.aside, 293.15)
        ends = np.sign(end).astype(int).tolist()
        return np.array(
            [k * twin.attraction(float(g), 1.0, k) for g, k in zip(self.gap(height), ends, strict=True)]
        )

    def weigh(self, disc: Disc, heights: Array) -> tuple[Array, Array, Array]:
        """As ``UnevenBench``; the disc was magnetised downward before."""
        assert isinstance(disc.material, Hysterons)
        height, orientation, _ = forward.loop_gaps(np.asarray(heights, float))
        sample = TwinSample(disc.material.of_twin, self.magnet, disc.diameter, disc.height, self.aside)
        sample.own = disc.own_field * sample.own
        sample.travel(float(self.contact), -1.0)
        sample.travel(AWAY, -1.0)
        force = np.zeros(len(height))
        for k, (gap, way) in enumerate(zip(self.gap(height), orientation, strict=True)):
            sample.travel(float(gap), float(way))
            force[k] = sample.attraction
        return height, orientation, -force / PER_KG
