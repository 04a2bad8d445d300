"""What a recoil run of the same sample does for HcJ of a loop that does not saturate.

    python -m tests.benchmarks.with_recoil --samples 24 --seed 5

Samples of the second model, with memory at every point, whose layers feel one another or each itself alone (a
quarter of them), of drawn material; each weighed as a loop and, virgin again, as a recoil programme of about
as many readings. The bench file states the bench wrong within its uncertainties. Counted are the loops that
are not shown to be saturated and whose HcJ is measured all the same, without the other run; the truth is the
material's.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from tests.benchmarks.coverage import drawn_file
from tests.support.models.forward import Magnet, Pellet, Weighed, weigh
from tests.support.models.loops import PER_KG, readings_of, reclaimed_bench
from tests.support.models.preisach_medium import Material
from tests.support.models.programmes import weighed
from weighloop.analysis.figures.extract import read_figures
from weighloop.analysis.figures.settings import U_GAP
from weighloop.analysis.planning.gap_ladder import LadderPlan
from weighloop.analysis.programmes.other_runs import other_runs
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured

HCJ = "coercivity_HcJ_A_per_m"


def noted(run: Weighed, bench: Bench, stated: Bench, rng: np.random.Generator) -> Readings:
    """The run as the notebook of a bench has it whose file states another contact gap."""
    slope = np.zeros(len(run.gap))
    for leg in np.unique(run.leg):
        rows = np.flatnonzero(run.leg == leg)
        if len(rows) > 1:
            slope[rows] = np.gradient(run.force[rows], run.gap[rows])
    force = run.force + slope * U_GAP * rng.standard_normal(len(run.force))
    reading = np.round(-force / PER_KG + 2e-6 * rng.standard_normal(len(force)), 6)
    shift = stated.gap.contact.value - bench.gap.contact.value
    return readings_of(run.gap + shift, run.orientation, reading, 2e-6)


def recoil_plan(bench: Bench, count: int) -> LadderPlan:
    """A recoil programme of about that many readings."""
    lift = replace(
        bench,
        gap=replace(bench.gap, ladder="lift", travel=30e-3),
        reference_magnet=replace(bench.reference_magnet, pan_load=Measured(0.4)),
        balance=replace(bench.balance, capacity=0.6),
    )
    plans = [plan_programme(lift, programme("recoil"), points) for points in range(6, 26)]
    return min(plans, key=lambda plan: abs(len(plan.steps) - count))


def main() -> None:
    """Print u and error of HcJ without and with, sample by sample, and over all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--samples", type=int, default=24)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--trials", type=int, default=500)
    o = parser.parse_args()
    random, found = np.random.default_rng(o.seed), []
    bench, magnet, pellet = reclaimed_bench(), Magnet(), Pellet(rings=4, layers=8)
    plan = recoil_plan(bench, 108)
    number = 0
    while len(found) < o.samples:
        number += 1
        feeling = "local" if number % 4 == 0 else "layered"
        half, width = random.uniform(85e3, 115e3), random.uniform(8e3, 22e3)
        material = Material(random.uniform(150e3, 320e3), half, width, reversible=random.uniform(2e3, 12e3))
        rng = np.random.default_rng([o.seed, number])
        stated = drawn_file(bench, rng)
        run = weigh(magnet, pellet, material, np.geomspace(1e-3, 30e-3, 22), demagnetising=feeling)
        loop = noted(run, bench, stated, rng)
        alone = analyse(loop, stated, trials=o.trials, seed=number)
        codes = {warning.code for warning in alone.warnings}
        if alone.figures[HCJ].status != "measured" or "not-saturated" not in codes:
            continue
        recoil = noted(weighed(magnet, pellet, material, plan, feeling), bench, stated, rng)
        others = other_runs(stated, [("recoil", replace(recoil, gives="recoil"), stated)])
        joint = analyse(loop, stated, trials=o.trials, seed=number, others=others)
        h = np.linspace(-600e3, 600e3, 24001)
        down, up = material.major_descending(h), -material.major_descending(-h)
        truth = float(read_figures(h + run.N * down, down, run.N, h + run.N * up, up)[HCJ][0])
        row = [
            100 * part / truth
            for result in (alone, joint)
            for part in (result.figures[HCJ].u or np.nan, (result.figures[HCJ].value or np.nan) - truth)
        ]
        likely = max(others[0].likelihood, key=others[0].likelihood.__getitem__)
        right = likely == ("part" if feeling == "local" else "shape")
        odds = 1.0 / min(others[0].likelihood.values())
        found.append([*row, right])
        print(
            f"{feeling:8s} Hc {half / 1e3:5.1f} alone u {row[0]:5.2f} % off {row[1]:+6.2f} %, with u "
            f"{row[2]:5.2f} % off {row[3]:+6.2f} %; odds {odds:.3g} to 1, {'right' if right else 'wrong'}, "
            f"misfit {others[0].misfit:.2f}, {len(recoil)} readings beside {len(loop)}; most of u: "
            + ", ".join(f"{line.input} {line.share:.0%}" for line in alone.budget[HCJ][:3]),
            flush=True,
        )
    u, off, u_with, off_with, right = np.array(found, float).T
    print(
        f"median u {np.median(u):.2f} % alone, {np.median(u_with):.2f} % with; "
        f"by sample {np.median(u_with / u):.2f}"
    )
    rms, rms_with = (float(np.sqrt(np.mean(each**2))) for each in (off, off_with))
    print(f"rms error {rms:.2f} % alone, {rms_with:.2f} % with; right hypothesis {right.mean():.0%}")
    held, held_with = (np.mean(np.abs(e) < 1.96 * v) for e, v in ((off, u), (off_with, u_with)))
    print(f"within 1.96 u: {held:.0%} alone, {held_with:.0%} with; {len(found)} of {number} drawn")


if __name__ == "__main__":
    main()
