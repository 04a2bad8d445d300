"""What a sample that every bench has weighed shows of each bench: its bias, from the archive's figures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from ...analysis.interlaboratory import AssignedValue, BenchScore, scores

#: What is compared where nobody says otherwise.
FIGURES = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3")


def bench_biases(
    figures: Iterable[tuple[str, str, float, float, str]],
    wanted: Sequence[str] = FIGURES,
    assigned: AssignedValue | None = None,
) -> dict[str, tuple[AssignedValue, list[BenchScore]]]:
    """Scores of every bench by figure.

    ``figures`` are (bench, figure, value, u, status), SI, of any number of runs; only what was measured
    counts, no bounds. A bench's result is the mean of its runs; its u is that of one of them (their rms):
    what a bench has wrong is wrong in all its runs. A figure that fewer than two benches have is left out.
    """
    by_bench: dict[str, dict[str, list[tuple[float, float]]]] = defaultdict(lambda: defaultdict(list))
    for bench, figure, value, u, status in figures:
        if status == "measured":
            by_bench[figure][bench].append((value, u))
    found = {}
    for figure in wanted:
        results = []
        for bench, runs in sorted(by_bench[figure].items()):
            values, us = np.array(runs, float).T
            results.append((bench, float(values.mean()), float(np.sqrt(np.mean(us**2)))))
        if len(results) > 1:
            found[figure] = scores(results, assigned)
    return found
