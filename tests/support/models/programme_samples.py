"""Samples drawn for programmes, each over a bench that its file states a little wrong, and what is true.

Of the second model (memory at every point, every layer feeling every other), and of the bench twin's own
rings. Neither shares anything with the analysis, nor one with the other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.support.models.forward import Magnet, Pellet, weigh
from tests.support.models.loops import PER_KG, reclaimed_bench
from tests.support.models.preisach_medium import Material
from tests.support.models.programmes import led
from tests.support.models.runs import bench_of
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.units import Measured
from weighloop.drivers.twin import field as twin_field
from weighloop.drivers.twin.sample import SampleMaterial, TwinSample, magnetisation, moved

Array = np.ndarray
#: One reading: 1 mg, and how exactly a lift comes back to a gap, m.
U_READING, U_GAP = 1e-6, 1e-6
#: What a file states of its values: remanence (T), contact gap and sizes (m); what the remanence loses in the
#: kelvin by which the room may be warmer than stated.
U_REMANENCE, U_CONTACT, U_SIZE, BY_WARMTH = 5e-3, 20e-6, 10e-6, 1.1e-3
#: (gap, orientation, passage), (n,) each.
Way = tuple[Array, Array, Array]


@dataclass(frozen=True, eq=False)
class DrawnSample:
    """A sample as it is, and the bench as its file has it.

    ``pulls(ways)``: kg, attraction positive, of the last of several ways that it goes one after the other,
    virgin before the first; ``led(path)``: M of the material in uniform internal fields, virgin before;
    ``density(up, down)``: what its reversal curves' distribution is, per A/m, where that is known.
    ``pull_by_M(gap)``: kg by A/m of an even magnetisation along the field, attraction positive.
    """

    bench: Bench
    pulls: Callable[[Sequence[Way]], Array]
    led: Callable[[Sequence[float] | Array], Array]
    density: Callable[[Array, Array], Array] | None
    coercivity: float
    pull_by_M: Callable[[Array], Array]

    def weighed(self, ways: Sequence[Way], rng: np.random.Generator, gives: str) -> Readings:
        """The notebook of the last of several runs."""
        gap, orientation, leg = ways[-1]
        pull = self.pulls(ways)
        by_gap = np.zeros(len(gap))
        for k in np.unique(leg):
            on = np.flatnonzero(leg == k)
            if len(on) > 1 and np.all(np.diff(gap[on]) != 0.0):
                by_gap[on] = np.gradient(pull[on], gap[on])
        n, nothing = len(gap), np.full(len(gap), np.nan)
        pull = pull + by_gap * U_GAP * rng.standard_normal(n) + U_READING * rng.standard_normal(n)
        return Readings(
            row=np.arange(1, n + 1),
            gap=gap,
            spacers=nothing,
            orientation=orientation.astype(np.int64),
            reading=-pull,
            zero_before=np.zeros(n),
            zero_after=np.zeros(n),
            u_reading=np.full(n, U_READING),
            temperature=nothing,
            time=20.0 * np.arange(n),
            note=("",) * n,
            set_aside=(None,) * n,
            gives=gives,
        )

    def weighed_by_hand(self, way: Way, rng: np.random.Generator, gives: str) -> Readings:
        """The notebook of one run with spacers, for which the sample is taken off before each reading."""
        gap, orientation, leg = way
        off = np.repeat(gap, 2)
        off[::2] = 0.5
        pull = self.pulls([(off, np.repeat(orientation, 2), np.repeat(leg, 2))])[1::2]
        table = replace(self, pulls=lambda ways: pull).weighed([way], rng, gives)
        return replace(table, spacers=np.ones(len(gap)))


def way(sample: DrawnSample, name: str, points: int) -> Way:
    """What a programme leads the sample through."""
    steps = plan_programme(sample.bench, programme(name), points).steps
    gap, orientation, leg = (
        np.array([getattr(s, key) for s in steps]) for key in ("gap", "orientation", "leg")
    )
    return gap, orientation, leg


def _stated(magnet: Magnet, pellet: Pellet, rng: np.random.Generator) -> tuple[Bench, float]:
    """The bench as its file states it, each value off by its uncertainty times a standard normal, and by how
    much the contact gap is, m."""

    def off(value: float, u: float) -> Measured:
        return Measured(value + u * float(rng.standard_normal()), u)

    exact = bench_of(magnet, pellet)
    sample = replace(exact.sample, diameter=off(pellet.diameter, U_SIZE), height=off(pellet.height, U_SIZE))
    remanence, contact_error = off(magnet.remanence, U_REMANENCE), U_CONTACT * float(rng.standard_normal())
    cold = replace(remanence, value=remanence.value * (1.0 + BY_WARMTH * float(rng.standard_normal())))
    reference = replace(exact.reference_magnet, remanence=cold, pan_load=Measured(0.4))
    # Gaps are the magnet's own here: what the contact is off by lies in all of them.
    contact = replace(exact.gap, contact=Measured(1e-3, U_CONTACT), ladder="lift", travel=30e-3)
    bench = replace(
        exact,
        site=reclaimed_bench().site,
        sample=sample,
        reference_magnet=reference,
        gap=contact,
        balance=replace(exact.balance, capacity=0.6),
    )
    return bench, contact_error


def _pull_by_M(magnet: Magnet, pellet: Pellet, error: float) -> Callable[[Array], Array]:
    x, y, z, weight = pellet.nodes()

    def pull(gap: Array) -> Array:
        gradient = np.array([weight @ magnet.field(x, y, z + g + error)[1] for g in gap])
        return -pellet.volume * gradient / PER_KG

    return pull


def second_model(rng: np.random.Generator, *, rings: int = 3, layers: int = 6) -> DrawnSample:
    """One of the second model, drawn."""
    magnet = Magnet(remanence=rng.uniform(1.2, 1.4))
    pellet = Pellet(
        diameter=rng.uniform(4e-3, 7e-3), height=rng.uniform(2e-3, 4e-3), rings=rings, layers=layers
    )
    material = Material(
        rng.uniform(100e3, 320e3),
        rng.uniform(60e3, 160e3),
        rng.uniform(8e3, 25e3),
        reversible=rng.uniform(2e3, 15e3),
    )
    bench, error = _stated(magnet, pellet, rng)

    def pulls(ways: Sequence[Way]) -> Array:
        gap, orientation, leg = (np.concatenate(column) for column in zip(*ways, strict=True))
        path = (gap + error, orientation, leg)
        run = weigh(magnet, pellet, material, path[0], path=path, demagnetising="layered")
        return run.force[-len(ways[-1][0]) :] / PER_KG

    def density(up: Array, down: Array) -> Array:
        """-1/2 d2M / dHr dH of a product density: p(alpha) p(-beta) times the saturation."""

        def law(h: Array) -> Array:
            return 0.25 / material.width / np.cosh((h - material.coercivity) / (2 * material.width)) ** 2

        x = np.linspace(-1.2e6, 1.2e6, 4001)
        whole = float(np.sum(law(x) * np.cumsum(law(-x))) * (x[1] - x[0]) ** 2)
        return np.where(up > down, material.saturation * law(up) * law(-down) / whole, 0.0)

    return DrawnSample(
        bench,
        pulls,
        lambda path: led(material, list(path)),
        density,
        material.coercivity,
        _pull_by_M(magnet, pellet, error),
    )


def twins_own(rng: np.random.Generator) -> DrawnSample:
    """One of the bench twin's, drawn about its shipped benches."""
    magnet = Magnet(remanence=rng.uniform(1.2, 1.4))
    pellet = Pellet(diameter=rng.uniform(4e-3, 7e-3), height=rng.uniform(2e-3, 4e-3))
    material = SampleMaterial(
        saturation=rng.uniform(100e3, 320e3),
        coercivity=rng.uniform(60e3, 180e3),
        spread=rng.uniform(0.15, 0.35),
        interaction=rng.uniform(3e3, 9e3),
        reversible=rng.uniform(0.02, 0.06),
        reversible_field=150e3,
    )
    return of_twin(magnet, pellet, material, rng)


def of_twin(
    magnet: Magnet, pellet: Pellet, material: SampleMaterial, rng: np.random.Generator
) -> DrawnSample:
    """The twin's own disc of a material."""
    source = twin_field.Magnet("cylinder", (magnet.diameter,), magnet.height, magnet.remanence, 0.0)
    bench, error = _stated(magnet, pellet, rng)

    def pulls(ways: Sequence[Way]) -> Array:
        sample = TwinSample(material, source, pellet.diameter, pellet.height)
        found: list[float] = []
        for gap, orientation, _ in ways:
            found = []
            for g, o in zip(gap, orientation, strict=True):
                sample.follow(float(g + error), float(o))
                found.append(sample.attraction)
        return np.array(found) / PER_KG

    def through(path: Sequence[float] | Array) -> Array:
        half, found = material.half_widths(), []
        border = np.zeros((1, half.size))
        for h in path:
            at = np.array([float(h)])
            border = moved(border, at, half)
            found.append(float(magnetisation(material, border, at)[0]))
        return np.array(found)

    by_M = _pull_by_M(magnet, pellet, error)
    return DrawnSample(bench, pulls, through, None, material.coercivity, by_M)
