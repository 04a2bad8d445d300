"""How often the 95 % interval of each figure holds the truth, over benches that are wrong as their file says.

    python -m tests.benchmarks.coverage --benches 400
    python -m tests.benchmarks.coverage --benches 400 --own-field 0.015
    python -m tests.benchmarks.coverage --samples memory --benches 200
    python -m tests.benchmarks.coverage --samples grains --benches 200

Every bench is drawn from its stated uncertainties (remanence, contact gap, sample sizes, gravity,
temperature, readings, setting of each gap), weighed by the tests' own field, and analysed with the
file's values. The truth is the material's. ``--own-field``: by which part (a standard deviation) each
sample's own field is another than its shape makes it, as any real one's may be; else it is exact.

``--samples memory``: the second model's (``models.forward``), whose parts remember what they felt and
feel themselves or one another, weighed once each; the files are drawn about what the bench is. Of figures
told as bounds the true value must not lie below the interval. ``--samples grains``: the third's
(``models.grains``), which are no set of hysterons.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from tests.support.models.forward import Demagnetising, Magnet, Pellet, Weighed, weigh
from tests.support.models.grains import Grains
from tests.support.models.loops import (
    GRAVITY,
    PER_KG,
    TanhLoop,
    True_,
    noisy_run,
    readings_of,
    reclaimed_bench,
)
from tests.support.models.preisach_medium import HasMemory, Material
from weighloop.analysis.figures.extract import read_figures
from weighloop.analysis.figures.settings import U_GAP
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured

FIGURES = (
    "remanence_A_per_m",
    "coercivity_HcJ_A_per_m",
    "coercivity_HcB_A_per_m",
    "BHmax_J_per_m3",
    "loop_energy_J_per_m3",
    "recoil_permeability",
)
#: Samples that saturate on this bench; one that does not has bounds, which claim something else.
MATERIALS = (TanhLoop(300e3, 40e3, 8e3), TanhLoop(260e3, 30e3, 6e3), TanhLoop(330e3, 35e3, 10e3))


class Counted(NamedTuple):
    """How often the interval of a figure held the truth, of how many; the mean error in stated standard
    uncertainties; and the median stated one by the rms error."""

    held: int
    count: int
    bias: float
    wide: float

    @classmethod
    def of(cls, rows: list[tuple[bool, float, float]]) -> Counted:
        """Of rows of (held, error, u), both by the truth."""
        held, error, u = np.array(rows, float).T
        wide = float(np.median(u) / np.sqrt(np.mean(error**2)))
        return cls(int(held.sum()), len(held), float(np.mean(error / u)), wide)


def drawn(rng: np.random.Generator, own_field: float = 0.0) -> True_:
    """A bench within its file's uncertainties, and a sample whose own field is off by ``own_field``."""
    bench = reclaimed_bench()
    z = rng.standard_normal(6)
    off = own_field * rng.standard_normal() if own_field else 0.0
    magnet, sample, site = bench.reference_magnet, bench.sample, bench.site
    assert sample.diameter is not None
    warmth = magnet.temperature_coefficient.value * site.temperature.u * z[1]
    return True_(
        remanence=(magnet.remanence.value + magnet.remanence.u * z[0]) * (1 + warmth),
        contact_error=bench.gap.contact.u * z[2],
        diameter=sample.diameter.value + sample.diameter.u * z[3],
        height=sample.height.value + sample.height.u * z[4],
        # Free air: -3.086e-6 1/s^2 (as in the model's gravity).
        per_kg=PER_KG * (1 - 3.086e-6 * site.altitude.u * z[5] / GRAVITY),
        own_field=1 + off,
    )


def coverage(
    benches: int, trials: int = 2000, seed: int = 1, gaps: int = 22, own_field: float = 0.0
) -> dict[str, Counted]:
    """What came of each figure."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[tuple[bool, float, float]]] = {}
    for number in range(benches):
        material = MATERIALS[number % len(MATERIALS)]
        readings = noisy_run(
            int(rng.integers(2**31)),
            material,
            np.geomspace(1e-3, 30e-3, gaps),
            truth=drawn(rng, own_field),
            gap_error=U_GAP,
        )
        result = analyse(readings, reclaimed_bench(), trials=trials, seed=number)
        for name, truth in material.figures().items():
            figure = result.figures[name]
            if figure.status != "measured" or figure.value is None or figure.u is None:
                continue
            assert figure.low95 is not None
            assert figure.high95 is not None
            held = figure.low95 <= truth <= figure.high95
            found.setdefault(name, []).append((held, figure.value / truth - 1, figure.u / truth))
    return {name: Counted.of(rows) for name, rows in found.items()}


#: By kind of sample: material, gaps, how its parts feel one another.
SAMPLES: dict[str, tuple[tuple[HasMemory, int, Demagnetising], ...]] = {
    # Three that saturate, one that does not.
    "memory": (
        (Material(300e3, 40e3, 6e3, reversible=10e3), 16, "layered"),
        (Material(300e3, 40e3, 6e3, reversible=10e3), 16, "local"),
        (Material(150e3, 62e3, 6e3, reversible=5e3), 12, "layered"),
        (Material(300e3, 107e3, 18e3), 22, "layered"),
    ),
    # Well and hardly aligned, wide and narrow; the last two do not saturate.
    "grains": (
        (Grains(300e3, switching=55e3, spread=0.12), 16, "layered"),
        (Grains(260e3, switching=40e3, spread=0.2), 22, "layered"),
        (Grains(200e3, switching=45e3, spread=0.15, texture=3.0), 16, "local"),
        (Grains(300e3, switching=100e3, spread=0.15), 22, "layered"),
        (Grains(220e3, switching=80e3, spread=0.25, texture=2.0), 16, "local"),
    ),
}
#: Rings and layers of the sample's points, which the sharp knees of grains need more of.
NODES = {"memory": (4, 8), "grains": (6, 24)}


def drawn_file(bench: Bench, rng: np.random.Generator) -> Bench:
    """A file that states the bench wrong within its uncertainties."""

    def off(value: Measured | None) -> Measured:
        assert value is not None
        return Measured(value.value + value.u * rng.standard_normal(), value.u)

    magnet, sample = bench.reference_magnet, bench.sample
    return replace(
        bench,
        reference_magnet=replace(magnet, remanence=off(magnet.remanence)),
        sample=replace(sample, diameter=off(sample.diameter), height=off(sample.height)),
        gap=replace(bench.gap, contact=off(bench.gap.contact)),
    )


class KnownRun(NamedTuple):
    """A run of a sample with memory, weighed once: as the model has it, its true figures, dF/dgap (n,)."""

    run: Weighed
    true: dict[str, np.ndarray]
    slope: np.ndarray

    def noted(self, contact: float, rng: np.random.Generator) -> Readings:
        """Its notebook: gaps set again, noise, and what the file's ``contact`` gap is off by, m."""
        force = self.run.force + self.slope * U_GAP * rng.standard_normal(len(self.run.force))
        reading = np.round(-force / PER_KG + 2e-6 * rng.standard_normal(len(force)), 6)
        return readings_of(self.run.gap + contact, self.run.orientation, reading, 2e-6)


def weighed_once(kind: str, material: HasMemory, gaps: np.ndarray, feeling: Demagnetising) -> KnownRun:
    """A sample of a ``kind`` over the magnet."""
    pellet = Pellet(rings=NODES[kind][0], layers=NODES[kind][1])
    run = weigh(Magnet(), pellet, material, gaps, demagnetising=feeling)
    h = np.linspace(-600e3, 600e3, 24001)
    down, up = material.major_descending(h), -material.major_descending(-h)
    slope = np.zeros(len(run.gap))
    for leg in range(5):
        rows = run.leg == leg
        slope[rows] = np.gradient(run.force[rows], run.gap[rows])
    return KnownRun(run, read_figures(h + run.N * down, down, run.N, h + run.N * up, up), slope)


def coverage_with_memory(kind: str, benches: int, trials: int = 2000, seed: int = 1) -> dict[str, Counted]:
    """As ``coverage`` with samples of a ``kind``, by figure and whether it was measured or a bound."""
    rng = np.random.default_rng(seed)
    bench = reclaimed_bench()
    found: dict[str, list[tuple[bool, float, float]]] = {}
    runs = [
        weighed_once(kind, material, np.geomspace(1e-3, 30e-3, gaps), feeling)
        for material, gaps, feeling in SAMPLES[kind]
    ]
    for number in range(benches):
        weighed = runs[number % len(runs)]
        stated = drawn_file(bench, rng)
        shift = stated.gap.contact.value - bench.gap.contact.value
        result = analyse(weighed.noted(shift, rng), stated, trials=trials, seed=number)
        for name in FIGURES:
            figure = result.figures[name]
            if figure.value is None or figure.u is None or figure.low95 is None:
                continue
            truth, key = float(weighed.true[name][0]), f"{name} ({figure.status})"
            high = np.inf if figure.high95 is None else figure.high95
            held = figure.low95 <= truth <= high
            found.setdefault(key, []).append((held, figure.value / truth - 1, figure.u / truth))
    return {name: Counted.of(rows) for name, rows in found.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--own-field", type=float, default=0.0, help="what it is off by, of closed formulas")
    parser.add_argument("--samples", choices=SAMPLES, help="of another model; else closed formulas")
    asked = parser.parse_args()
    start = time.perf_counter()
    drawn_how = asked.benches, asked.trials, asked.seed
    found = (
        coverage_with_memory(asked.samples, *drawn_how)
        if asked.samples
        else coverage(*drawn_how, own_field=asked.own_field)
    )
    print(f"{'figure':36s} held in 95 % interval    of  mean (value - truth)/u  median u / rms error")
    for name, (held, count, bias, wide) in found.items():
        print(f"{name:36s} {100 * held / count:19.1f} % {count:5d} {bias:23.2f} {wide:21.2f}")
    print(f"{asked.benches} benches, {asked.trials} trials each, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
