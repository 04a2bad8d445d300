"""What the analysis of a programme takes: processor and memory by the number of readings.

    python -m tests.benchmarks.speed.programme_cost recoil 1000

One run of the twin's disc, weighed in order without any noise but 2 mg; a process of its own for each, as
memory is the most that was ever taken.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from tests.support.models.loops import readings_of
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.forces.force import force_per_kg
from weighloop.analysis.planning.gap_ladder import LadderPlan
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.results import GIVES, analyse_programme
from weighloop.analysis.records.bench import Bench
from weighloop.drivers.twin import bench_file as scenario
from weighloop.drivers.twin.sample import AWAY


def planned(bench: Bench, name: str, count: int) -> LadderPlan:
    """A programme of about the number of readings asked for."""
    points = max(count // 8, 6)
    for _ in range(12):
        plan = plan_programme(bench, programme(name), points, zeros="hand")
        if abs(len(plan.steps) - count) < 0.03 * count:
            break
        points = max(points * count // len(plan.steps), 5)
    return plan


def main() -> None:
    """Print one line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("programme", choices=GIVES)
    parser.add_argument("readings", type=int)
    o = parser.parse_args()
    twin = scenario.read(calm=True)
    device = {"dialect": "status-line", "balance_port": "", "lift_port": "none"}
    bench = parse_bench(scenario.bench_file(twin, seed=1, ladder="lift", turner=True, **device), "twin")
    steps = planned(bench, o.programme, o.readings).steps
    pellet, force = twin.pellet(), []
    for step in steps:
        if pellet.orientation != step.orientation:
            pellet.travel(AWAY, step.orientation)
        pellet.follow(step.gap, step.orientation)
        force.append(pellet.attraction)
    n = len(steps)
    noise = 2e-6 * np.random.default_rng(1).standard_normal(n)
    table = readings_of(
        np.array([step.gap for step in steps]),
        np.array([step.orientation for step in steps]),
        -np.array(force) / force_per_kg(bench.site) + noise,
        2e-6,
        zero_before=np.zeros(n),
        zero_after=np.zeros(n),
        time=np.cumsum([20.0 + (step.wait or 0.0) for step in steps]),
    )
    begun = time.process_time()
    analyse_programme(table, bench, o.programme, draws=1000)
    taken = time.process_time() - begun
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(f"{o.programme}, {n} readings: {taken:.1f} s of processor, {most:.0f} MB")


if __name__ == "__main__":
    main()
