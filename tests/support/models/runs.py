"""Whole runs of the second bench as the analysis gets them: cases, bench records, points with noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from tests.support.models.forward import Demagnetising, Magnet, Pellet, Weighed, solve_local, weigh
from tests.support.models.preisach_medium import Material, Memory, Start
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample
from weighloop.analysis.records.points import Branch, Points
from weighloop.analysis.units import Measured

Array = np.ndarray

#: Noise of one force: 2 mg, and 0.03 % of the reading.
U_READING, U_RELATIVE = 2e-6 * 9.81, 3e-4


@dataclass(frozen=True)
class Case:
    """One sample over one magnet. ``saturates``: every part of it goes past its closing field."""

    name: str
    magnet: Magnet
    pellet: Pellet
    material: Material
    saturates: bool
    demagnetising: Demagnetising = "local"
    start: Start = "virgin"
    nearest: float = 1e-3

    def gaps(self) -> Array:
        """22 gaps, close together where the field changes fast."""
        near = np.linspace(self.nearest, self.nearest + 7e-3, 13)
        return np.concatenate([near, np.geomspace(near[-1] + 1e-3, 30e-3, 9)])


_CYLINDER = Magnet()
_DISC = Pellet(rings=5, layers=10)
_LARGE = Magnet(diameter=30e-3, height=15e-3, remanence=1.25)
_BLOCK = Magnet(shape="block", length=20e-3, width=20e-3)
_RING = Magnet(shape="ring", inner=6e-3)

CASES = (
    Case("soft disc", _CYLINDER, _DISC, Material(320e3, 40e3, 5e3, reversible=15e3), True),
    Case("weak disc", _CYLINDER, _DISC, Material(120e3, 62e3, 6e3, reversible=8e3), True),
    Case(
        "large magnet", _LARGE, Pellet(diameter=8e-3, height=4e-3, rings=5), Material(250e3, 50e3, 6e3), True
    ),
    Case(
        "block magnet", _BLOCK, Pellet(diameter=5e-3, height=5e-3, rings=5), Material(200e3, 45e3, 5e3), True
    ),
    Case(
        "block sample",
        _LARGE,
        Pellet("block", 0.0, 4e-3, 6e-3, 5e-3, rings=4),
        Material(220e3, 50e3, 6e3),
        True,
    ),
    Case("nearly", _CYLINDER, _DISC, Material(300e3, 107e3, 18e3), False),
    Case("not", _CYLINDER, _DISC, Material(300e3, 153e3, 25e3, second=0.2), False),
    Case("not, magnetised before", _CYLINDER, _DISC, Material(300e3, 153e3, 25e3), False, start="down"),
    Case("not, block magnet", _BLOCK, _DISC, Material(280e3, 130e3, 20e3, second=0.2), False),
    Case("not, ring magnet", _RING, _DISC, Material(150e3, 60e3, 10e3), False, nearest=7e-3),
    Case("not, near a hole", _RING, _DISC, Material(150e3, 60e3, 10e3), False),
)

#: All parts feel the sample's mean magnetisation, which is how much more the layers come apart.
#: The interaction of real layers: neither limit.
LAYERED = Case("layers", _CYLINDER, Pellet(rings=3, layers=6), Material(300e3, 107e3, 18e3), False, "layered")


@cache
def weighed(case: Case) -> Weighed:
    """The noise-free run of a case."""
    return weigh(
        case.magnet,
        case.pellet,
        case.material,
        case.gaps(),
        start=case.start,
        demagnetising=case.demagnetising,
    )


def bench_of(magnet: Magnet, pellet: Pellet, name: str = "WP-07-1") -> Bench:
    """The bench record of a magnet and a sample, exactly as they are."""
    reference = ReferenceMagnet(
        magnet.shape,
        Measured(magnet.height),
        Measured(magnet.remanence),
        diameter=Measured(magnet.diameter),
        length=Measured(magnet.length),
        width=Measured(magnet.width),
        outer_diameter=Measured(magnet.diameter),
        inner_diameter=Measured(magnet.inner),
        core_excess=Measured(0.0),
    )
    sample = Sample(
        name,
        pellet.shape,
        Measured(pellet.height),
        Measured(pellet.diameter),
        Measured(pellet.length),
        Measured(pellet.width),
    )
    return Bench(reference, sample, Gap(Measured(1e-3), scale=Measured(1.0)), Balance(1e-6, 0.22))


def points_of(run: Weighed, seed: int | None = None) -> Points:
    """The run as points, with noise of ``seed`` or without."""
    n = len(run.gap)
    force = run.force.copy()
    if seed is not None:
        noise = np.hypot(U_READING, U_RELATIVE * force)
        force += noise * np.random.default_rng(seed).standard_normal(n)
    names: list[Branch] = [
        ("first", "descending", "descending", "ascending", "ascending")[leg] for leg in run.leg
    ]
    for leg, name in ((0, "descending"), (2, "ascending")):
        if (run.leg == leg).any():
            names[int(np.flatnonzero(run.leg == leg)[-1])] = name
    return Points(
        np.arange(1, n + 1),
        run.gap,
        np.full(n, np.nan),
        run.orientation.astype(int),
        force,
        np.full(n, U_READING),
        np.full(n, 293.15),
        run.leg,
        tuple(names),
        np.ones(n, bool),
        (None,) * n,
    )


@cache
def uniform_loop(
    material: Material, N: float, largest: float, start: Start = "virgin"
) -> tuple[Array, Array]:
    """Applied field and M (rising order) of the descending branch of a sample in a uniform field,
    swung from ``largest`` (A/m) to its opposite."""
    H = np.linspace(-largest, largest, 1201)
    # Every field of the grid gets an element of its own, all with the same past.
    memory = Memory(material, H.size, start)
    memory.go(solve_local(memory, np.full(H.size, largest), N))
    return H, memory.magnetisation(solve_local(memory, H, N))
