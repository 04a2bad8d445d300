"""How often the interval of a difference holds: two discs weighed on one bench, its file wrong as it says.

    python -m tests.benchmarks.comparisons --pairs 100
    python -m tests.benchmarks.comparisons --pairs 100 --own-field 0.015
    python -m tests.benchmarks.comparisons --pairs 60 --samples memory

Both discs of a pair meet the same remanence, contact gap, gravity and temperature, drawn as the file states
them; each has its own size, readings and setting of gaps, and another material by some 5 %. ``--own-field``:
by which part (a standard deviation) the own field of each is another than its shape makes it. The samples are
those of ``coverage``; the true difference is that of the materials.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from tests.benchmarks.coverage import MATERIALS, SAMPLES, drawn, drawn_file, weighed_once
from tests.support.models.loops import TanhLoop, noisy_run, reclaimed_bench
from tests.support.models.preisach_medium import Material
from weighloop.analysis.comparison import compare
from weighloop.analysis.figures.settings import U_GAP
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.results import analyse

FIGURES = {
    "remanence_A_per_m": "Mr",
    "coercivity_HcJ_A_per_m": "HcJ",
    "coercivity_HcB_A_per_m": "HcB",
    "BHmax_J_per_m3": "(BH)max",
    "loop_energy_J_per_m3": "loop energy",
    "recoil_permeability": "recoil permeability",
}
GAPS = np.geomspace(1e-3, 30e-3, 22)
APART = 0.05  # standard deviation of what two discs of a batch differ by


class Disc(NamedTuple):
    """One disc's run, the file it is analysed with, and its true figures."""

    readings: Readings
    bench: Bench
    truth: dict[str, float]


def closed_pair(rng: np.random.Generator, number: int, own_field: float) -> Iterator[Disc]:
    """Two discs whose branches are closed formulas."""
    material = MATERIALS[number % len(MATERIALS)]
    together, both = drawn(rng), reclaimed_bench()
    for name in ("A", "B"):
        alone = drawn(rng, own_field)
        truth = replace(together, diameter=alone.diameter, height=alone.height, own_field=alone.own_field)
        sort = TanhLoop(*(v * (1 + APART * rng.standard_normal()) for v in vars(material).values()))
        run = noisy_run(int(rng.integers(2**31)), sort, GAPS, truth=truth, gap_error=U_GAP)
        yield Disc(run, replace(both, sample=replace(both.sample, name=name)), sort.figures())


def pair_with_memory(rng: np.random.Generator, number: int) -> Iterator[Disc]:
    """Two discs of the second model, alike in how their parts feel one another, that saturate."""
    kinds = [(m, feels) for m, _, feels in SAMPLES["memory"] if isinstance(m, Material)][:3]
    material, feeling = kinds[number % len(kinds)]
    bench = reclaimed_bench()
    both = drawn_file(bench, rng)
    for name in ("A", "B"):
        by = 1 + APART * rng.standard_normal(3)
        sort = replace(
            material,
            saturation=material.saturation * by[0],
            coercivity=material.coercivity * by[1],
            width=material.width * by[2],
        )
        weighed = weighed_once("memory", sort, GAPS[::2], feeling)
        noted = weighed.noted(both.gap.contact.value - bench.gap.contact.value, rng)
        sample = replace(drawn_file(bench, rng).sample, name=name)
        truth = {key: float(values[0]) for key, values in weighed.true.items()}
        yield Disc(noted, replace(both, sample=sample), truth)


def run(
    pairs: int, trials: int, seed: int, own_field: float, memory: bool
) -> dict[str, list[tuple[float, float, float, bool]]]:
    """By figure: error of the difference and its u, both by the figure, u_apart by u, and whether the
    interval held the truth, of every pair that has it measured of both."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[tuple[float, float, float, bool]]] = {key: [] for key in FIGURES}
    for number in range(pairs):
        discs = list(pair_with_memory(rng, number) if memory else closed_pair(rng, number, own_field))
        results = [analyse(d.readings, d.bench, trials=trials) for d in discs]
        for d in compare(results).differences:
            if d.figure not in FIGURES or {r.figures[d.figure].status for r in results} != {"measured"}:
                continue
            of, minus = (disc.truth[d.figure] for disc in discs)
            true = of - minus
            held = d.low95 <= true <= d.high95
            found[d.figure].append(((d.value - true) / of, d.u / of, d.u_apart / d.u, held))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pairs", type=int, default=100)
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--own-field", type=float, default=0.0, help="what it is off by, of closed formulas")
    parser.add_argument("--samples", choices=("closed", "memory"), default="closed")
    asked = parser.parse_args()
    start = time.process_time()
    found = run(asked.pairs, asked.trials, asked.seed, asked.own_field, asked.samples == "memory")
    columns = "rms error %  median u %  rms error/u  mean error/u  worst  u apart/u"
    print(f"difference of           held of     {columns}")
    for key, words in FIGURES.items():
        if not found[key]:
            continue
        error, u, apart, held = np.array(found[key], float).T
        by_u = error / u
        print(
            f"{words:20s} {int(held.sum()):4d} of {len(held):4d} {100 * np.sqrt(np.mean(error**2)):11.2f} "
            f"{100 * np.median(u):11.2f} {np.sqrt(np.mean(by_u**2)):12.2f} {by_u.mean():13.2f} "
            f"{np.abs(by_u).max():6.1f} {np.median(apart):10.1f}"
        )
    print(f"{asked.pairs} pairs, {time.process_time() - start:.0f} s of processor")


if __name__ == "__main__":
    main()
