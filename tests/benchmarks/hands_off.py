"""Figures of loops without a hand at the sample beside those with zeros by hand, on the same benches.

    python -m tests.benchmarks.hands_off --benches 400
    python -m tests.benchmarks.hands_off --physics twin --benches 60
    python -m tests.benchmarks.hands_off --programme recoil --benches 20

Every bench is drawn: remanence, contact gap, sizes, gravity and temperature from what its file states, the
turner's eccentricity from 0 +/- 0.05 mm, the zero with a drift of up to 20 mg an hour, a random walk of up
to 1 mg in a minute and in half the runs a jump of some 8 mg. On each bench three loops are weighed: with the
sample taken off for a zero at the start, at both turns and at the end; by a turner with no zero at all; on a
lift where hands turn the sample over but never take it off. The readings' noise is 2 mg. ``--physics
model`` is the tests' own field and closed formulas (``support.models.loops``), ``twin`` the demonstration's
magnet and sample with a memory. Truth is the material's, of the twin its own account.

``--programme``: recoil, remanence or reversal runs of the second model's samples, by a turner, with the same
zeros; each is analysed with its zeros told at every reading, and without any.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from tests.benchmarks.coverage import MATERIALS, drawn
from tests.support.models.programme_samples import second_model
from tests.support.models.zeros import (
    BY_TURNER,
    EACH,
    GAPS,
    How,
    TrueZero,
    loop_with_zero,
    path,
    true_levels,
    with_zero,
    zero_bench,
)
from weighloop.analysis.figures.settings import U_GAP
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.forces.force import force
from weighloop.analysis.magnetostatics.bench_linearisation import ECCENTRICITY
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.results import analyse_programme
from weighloop.analysis.records.bench import Bench, Turner
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.results import LoopResult, analyse
from weighloop.drivers.twin import bench_file as scenarios
from weighloop.drivers.twin.true_figures import truth as twin_truth

FIGURES = {
    "remanence_A_per_m": "Mr",
    "coercivity_HcJ_A_per_m": "HcJ",
    "coercivity_HcB_A_per_m": "HcB",
    "BHmax_J_per_m3": "(BH)max",
}
HOW: tuple[How, ...] = ("by hand", "turner", "lift")
NOISE, U_ECCENTRICITY = 2e-6, 0.05e-3


class Weighed(NamedTuple):
    """One bench: the loops by how their zero is known, the file's bench for each, and the true figures."""

    runs: dict[How, tuple[Readings, Bench]]
    truth: dict[str, float]
    eccentricity: float
    zero: TrueZero


def of_model(benches: int, seed: int) -> Iterator[Weighed]:
    """Benches of the tests' own model."""
    rng = np.random.default_rng(seed)
    for number in range(benches):
        material, true, zero = MATERIALS[number % len(MATERIALS)], drawn(rng), TrueZero.drawn(rng)
        off = U_ECCENTRICITY * rng.standard_normal()
        same = {"material": material, "truth": true, "gap_error": U_GAP, "noise": NOISE, "eccentricity": off}
        runs = {
            how: (loop_with_zero(how, zero, int(rng.integers(2**31)), **same), zero_bench(how)) for how in HOW
        }
        yield Weighed(runs, material.figures(), off, zero)


def of_twin(benches: int, seed: int) -> Iterator[Weighed]:
    """Benches of the twin's physics: files drawn about what it is, its sample carried through every field."""
    rng = np.random.default_rng(seed)
    scenario = scenarios.read(calm=True)
    true = {
        name: float(value) for name, value in twin_truth(scenario)["figures"].items() if value is not None
    }
    for _ in range(benches):
        text = scenarios.bench_file(
            scenario,
            seed=int(rng.integers(2**31)),
            dialect="status-line",
            ladder="lift",
            balance_port="b",
            lift_port="l",
            turner=True,
        )
        stated = parse_bench(text)
        zero, off = TrueZero.drawn(rng), U_ECCENTRICITY * rng.standard_normal()
        runs: dict[How, tuple[Readings, Bench]] = {}
        for how in HOW:
            bench = stated if how == "turner" else replace(stated, gap=replace(stated.gap, turner=None))
            change = _twin_changes(scenario, how, off if how == "turner" else 0.0, rng)
            readings = with_zero(how, GAPS, change, zero, rng, NOISE)
            runs[how] = replace(readings, gap=readings.gap - GAPS[0] + bench.gap.contact.value), bench
        yield Weighed(runs, true, off, zero)


def _twin_changes(
    scenario: scenarios.Scenario, how: How, eccentricity: float, rng: np.random.Generator
) -> np.ndarray:
    """Changes of reading (n,), kg, of the twin's sample on its way through a loop."""
    gap, orientation, _, _ = path(how, GAPS)
    pellet = scenario.pellet()
    newton_per_kg = scenario.gravity * (1.0 - 1.2 / 8000.0)
    # Magnetised the other way before, and taken to the far end.
    pellet.travel(scenario.contact, -1.0)
    pellet.travel(GAPS[-1], -1.0)
    change = np.zeros(len(gap))
    for k, (noted, o) in enumerate(zip(gap, orientation, strict=True)):
        true = scenario.contact + noted - GAPS[0] + o * eccentricity + U_GAP * rng.standard_normal()
        for part in np.linspace(pellet.orientation, o, 9)[1:] if pellet.orientation != o else ():
            pellet.follow(pellet.gap, float(part))
        pellet.travel(true, float(o))
        change[k] = -pellet.attraction / newton_per_kg
    return change


def of_programme(name: str, samples: int, seed: int, draws: int) -> None:
    """Print how figures of a programme without a zero differ from those with each zero known."""
    rng, rows = np.random.default_rng(seed), dict[str, list[list[float]]]()
    for number in range(samples):
        sample = second_model(rng, rings=2, layers=4)
        bench = replace(sample.bench, gap=replace(sample.bench.gap, travel=49e-3, turner=Turner()))
        steps = plan_programme(bench, programme(name), 12).steps
        gap, orientation, leg = (
            np.array([getattr(s, key) for s in steps]) for key in ("gap", "orientation", "leg")
        )
        table = sample.weighed([(gap, orientation, leg)], rng, name)
        turned = np.diff(orientation, prepend=orientation[0]) != 0
        time_ = np.cumsum(EACH + np.where(turned, BY_TURNER, 0.0))
        level = TrueZero.drawn(rng).at(time_)
        nothing = np.full(len(gap), np.nan)
        known = replace(
            table, reading=table.reading + level, zero_before=level, zero_after=level, time=time_ - time_[0]
        )
        unknown = replace(known, zero_before=nothing, zero_after=nothing, hands_off=True)
        told, untold = (analyse_programme(t, bench, draws=draws, seed=number) for t in (known, unknown))
        for key, a in told.figures.items():
            b = untold.figures[key]
            both = a.value is not None and b.value is not None and a.u is not None and b.u is not None
            row = [(b.value - a.value) / a.u, b.u / a.u, a.status == b.status] if both else [np.nan] * 3  # type: ignore[operator]
            rows.setdefault(key, []).append(row)
    print("| figure | in both of | rms change /u | largest | u by u | status alike |")
    print("| --- | --- | --- | --- | --- | --- |")
    for key, found in rows.items():
        change, ratio, same = np.array(found, float)[~np.isnan(np.array(found, float)[:, 0])].T
        rms, most = float(np.sqrt(np.mean(change**2))), float(np.abs(change).max(initial=0.0))
        print(
            f"| {key} | {len(change)} of {len(found)} | {rms:.2f} | {most:.2f} | {np.median(ratio):.3f} | "
            f"{int(same.sum())} |"
        )


class Found(NamedTuple):
    """Of one figure and way, over the benches: inside the interval, z = (value - truth)/u, relative u."""

    inside: list[bool]
    z: list[float]
    u: list[float]


Scores = dict[tuple[How, str], Found]


def zero_error(how: How, one: Weighed, result: LoopResult) -> float:
    """Rms (kg) over the rows of what the zero that the fit took off is wrong by."""
    found = result.readings.reading - result.points.force / force(1.0, result.bench)
    wrong = found - true_levels(how, GAPS, one.zero)[: len(found)]
    return float(np.sqrt(np.mean(wrong[result.points.used & np.isfinite(wrong)] ** 2)))


def score(
    weighed: Iterator[Weighed], trials: int
) -> tuple[Scores, dict[How, list[int]], dict[How, list[float]], list[float]]:
    """By way and figure; rows set aside by way; the zeros' errors by way, kg; the eccentricities' in u."""
    found: dict[tuple[How, str], Found] = {}
    aside: dict[How, list[int]] = {how: [] for how in HOW}
    zero: dict[How, list[float]] = {how: [] for how in HOW}
    eccentricity: list[float] = []
    for number, one in enumerate(weighed):
        for how, (readings, bench) in one.runs.items():
            result: LoopResult = analyse(readings, bench, trials=trials, seed=number)
            aside[how].append(int((~result.points.used).sum()))
            zero[how].append(zero_error(how, one, result))
            eccentricity += [
                (f.found - one.eccentricity) / f.u_found for f in result.found_inputs if f.key == ECCENTRICITY
            ]
            for name in FIGURES:
                figure, true = result.figures[name], one.truth[name]
                if figure.value is None or figure.u is None or figure.low95 is None:
                    continue
                row = found.setdefault((how, name), Found([], [], []))
                high = np.inf if figure.high95 is None else figure.high95
                row.inside.append(figure.low95 <= true <= high)
                row.z.append((figure.value - true) / figure.u)
                row.u.append(figure.u / true)
    return found, aside, zero, eccentricity


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--benches", type=int, default=100)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--physics", choices=("model", "twin"), default="model")
    parser.add_argument("--programme", choices=("recoil", "remanence", "reversal"))
    asked = parser.parse_args()
    start = time.process_time()
    if asked.programme is not None:
        of_programme(asked.programme, asked.benches, asked.seed, min(asked.trials, 300))
        return
    benches = of_model if asked.physics == "model" else of_twin
    found, aside, zero, eccentricity = score(benches(asked.benches, asked.seed), asked.trials)
    print("| zero | figure | runs | median u | by that by hand | in 95 % interval | rms z |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for (how, name), row in sorted(found.items(), key=lambda item: HOW.index(item[0][0])):
        u, by_hand = (float(np.median(found[each, name].u)) for each in (how, HOW[0]))
        cells = [
            how,
            FIGURES[name],
            str(len(row.u)),
            f"{100 * u:.2f} %",
            f"{u / by_hand:.3f}",
            f"{100 * float(np.mean(row.inside)):.1f} %",
            f"{float(np.sqrt(np.mean(np.square(row.z)))):.2f}",
        ]
        print(f"| {' | '.join(cells)} |")
    for how, rows in aside.items():
        print(f"{how}: rows set aside in {sum(n > 0 for n in rows)} of {len(rows)} runs, {sum(rows)} in all")
    for how, errors in zero.items():
        mg = 1e6 * np.array(errors)
        print(
            f"{how}: zero off by {np.median(mg):.2f} mg (rms over a run; median), "
            f"in nine of ten runs by less than {np.quantile(mg, 0.9):.2f}"
        )
    print(f"eccentricity: rms error {np.sqrt(np.mean(np.square(eccentricity))):.2f} u")
    seconds = time.process_time() - start
    print(f"{asked.benches} benches, {asked.trials} trials each, {seconds:.0f} s of processor")


if __name__ == "__main__":
    main()
