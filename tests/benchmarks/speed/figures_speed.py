"""What the figures of a loop cost: time, memory, and the ratio to the bare numpy and scipy work inside.

    python -m tests.benchmarks.speed.figures_speed --gaps 22 --trials 10000

The bare work is what no arrangement of the program can avoid: the inversions asked for (one free, the rest
with its choices held), the matrix products of the trials, and reading the figures off the trials.
Growth with points and trials follows. ``--process`` times whole processes of the command line instead.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.support.models.loops import TanhLoop, noisy_run, reclaimed_bench

BENCH_FILE = """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.32 T +/- 0.02 T"
[sample]
name = "WP-07-3"
shape = "cylinder"
diameter = "6.00 mm +/- 0.02 mm"
height = "3.00 mm +/- 0.02 mm"
mass = "412 mg +/- 1 mg"
[gap]
contact = "1.00 mm +/- 0.05 mm"
[balance]
resolution = "1 mg"
capacity = "220 g"
[site]
latitude = "53.4 deg"
altitude = "60 m"
temperature = "20 degC"
"""


def best(work: Callable[[], object], repeats: int = 3) -> float:
    """Shortest of several times, s, of this process's processor: others on the machine do not count."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def bare(readings: object, trials: int) -> Callable[[], None]:
    """The numpy and scipy work inside one analysis, and nothing else."""
    from weighloop.analysis.figures import sensitivities as inputs
    from weighloop.analysis.figures.extract import read_figures
    from weighloop.analysis.inversion.invert import invert
    from weighloop.analysis.outliers.screen import find_outliers

    bench = reclaimed_bench()
    arranged = find_outliers(readings, bench)  # type: ignore[arg-type]
    estimate = invert(arranged.points, bench)
    state, told, shared = inputs.shared_inputs(estimate, bench)
    answer = told.d_force
    m = len(estimate.descending)
    rows = 4 * m
    odd = np.array([s.odd[:rows] for s in shared])
    even = np.array([s.even[:rows] for s in shared])
    method = np.concatenate([root[:rows] for _, _, root in inputs.of_method(state, estimate)], axis=1)

    def work() -> None:
        invert(arranged.points, bench)
        rng = np.random.default_rng(1)
        for start in range(0, trials, 1000):
            count = min(1000, trials - start)
            z = rng.standard_normal((count, len(shared)))
            states = state.vector[:rows] + z @ odd + z**2 @ even
            states += rng.standard_normal((count, answer.shape[1])) @ answer[:rows].T
            states += rng.standard_normal((count, method.shape[1])) @ method.T
            read_figures(
                states[:, :m], states[:, m : 2 * m], estimate.N, states[:, 2 * m : 3 * m], states[:, 3 * m :]
            )

    return work


def in_process(gaps: int, trials: int) -> tuple[float, float]:
    """Time of one analysis and of the bare work inside it, s."""
    from weighloop.analysis.results import analyse

    readings = noisy_run(1, TanhLoop(), np.geomspace(1e-3, 30e-3, gaps))
    bench = reclaimed_bench()
    analyse(readings, bench, trials=2)  # imports
    return best(lambda: analyse(readings, bench, trials=trials)), best(bare(readings, trials))


def whole_process(gaps: int, trials: int) -> tuple[float, float]:
    """Wall and processor time of ``weighloop figures --json``, start of Python and imports included, s."""
    readings = noisy_run(1, TanhLoop(), np.geomspace(1e-3, 30e-3, gaps))
    with tempfile.TemporaryDirectory() as folder:
        notebook, bench = Path(folder, "wp-07-3.csv"), Path(folder, "bench.toml")
        bench.write_text(BENCH_FILE, encoding="utf-8")
        rows = [
            f"{g * 1e3:.6f},{o:+d},{r * 1e3:.3f},0.002"
            for g, o, r in zip(readings.gap, readings.orientation, readings.reading, strict=True)
        ]
        notebook.write_text("\n".join(["gap_mm,orientation,reading_g,u_g", *rows]), encoding="utf-8")
        call = [
            sys.executable,
            "-m",
            "weighloop.tui.cli",
            "figures",
            str(notebook),
            "--bench",
            str(bench),
        ]
        call += ["--json", "--trials", str(trials)]
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        times = []
        for _ in range(3):
            start = time.perf_counter()
            subprocess.run(call, check=True, capture_output=True)
            times.append(time.perf_counter() - start)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return min(times), used / 3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--gaps", type=int, default=22)
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--no-process", action="store_true", help="leave out the whole-process times")
    asked = parser.parse_args()
    print(
        f"{'gaps':>5s} {'points':>7s} {'trials':>7s} {'analysis, s':>12s} {'bare work, s':>13s} {'ratio':>6s}"
    )
    cases = [(asked.gaps, asked.trials), (asked.gaps, asked.trials // 4), (asked.gaps // 2, asked.trials)]
    cases.append((2 * asked.gaps, asked.trials))
    for gaps, trials in cases:
        whole, inside = in_process(gaps, trials)
        print(f"{gaps:5d} {5 * gaps - 2:7d} {trials:7d} {whole:12.3f} {inside:13.3f} {whole / inside:6.2f}")
    print(f"largest memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")
    if not asked.no_process:
        wall, used = whole_process(asked.gaps, asked.trials)
        print(f"whole process, {asked.trials} trials: {wall:.2f} s, processor {used:.2f} s")


if __name__ == "__main__":
    main()
