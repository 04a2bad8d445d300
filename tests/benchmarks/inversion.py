"""How well magnetisation and figures come back: by case, the plain mean against splines and density.

    python -m tests.benchmarks.inversion [--trials 5] [--seed 1]

Errors are root mean squares over the trials, in per cent: of M over the descending branch by the largest M,
and of the figures by a sample of the same material in a uniform field.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from tests.support.models.runs import (
    CASES,
    LAYERED,
    Case,
    bench_of,
    points_of,
    uniform_loop,
    weighed,
)
from weighloop.analysis.figures.extract import read_figures
from weighloop.analysis.inversion.invert import invert
from weighloop.analysis.inversion.loop import LoopEstimate

FIGURES = ("coercivity_HcJ_A_per_m", "remanence_A_per_m", "BHmax_J_per_m3")
WAYS = (None, "mean", "branch spline", "hysteron density")


def errors(case: Case, estimate: LoopEstimate) -> list[float]:
    """[M, HcJ, remanence, (BH)max], per cent."""
    run = weighed(case)
    branch = np.array(estimate.points.branch) == "descending"
    of_M = np.sqrt(np.mean((estimate.M - run.M)[branch] ** 2)) / np.abs(run.M).max()
    H, M = uniform_loop(case.material, run.N, float(run.H_applied.max()), case.start)
    true = read_figures(H, M, run.N)
    found = read_figures(estimate.descending.H_applied, estimate.descending.M, estimate.N)
    return [100 * of_M, *(100 * float(found[k][0] / true[k][0] - 1) for k in FIGURES)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--trials", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(f"{'case':<24}{'way':<19}{'M':>7}{'HcJ':>8}{'Mr':>8}{'BHmax':>8}{'ms':>8}{'again':>8}")
    for case in (*CASES, LAYERED):
        bench = bench_of(case.magnet, case.pellet)
        for way in WAYS:
            rows, first, again, used = [], [], [], ""
            for trial in range(arguments.trials):
                points = points_of(weighed(case), arguments.seed + trial)
                began = time.perf_counter()
                estimate = invert(points, bench, forced=way)
                first.append(time.perf_counter() - began)
                began = time.perf_counter()
                invert(points, bench, settled=estimate.settled)
                again.append(time.perf_counter() - began)
                rows.append(errors(case, estimate))
                used = estimate.method_used
            rms = np.sqrt(np.mean(np.square(rows), axis=0))
            name = way or f"({used})"
            print(
                f"{case.name if way is None else '':<24}{name:<19}"
                f"{rms[0]:7.2f}{rms[1]:8.2f}{rms[2]:8.2f}{rms[3]:8.2f}"
                f"{1e3 * np.median(first):8.0f}{1e3 * np.median(again):8.0f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
