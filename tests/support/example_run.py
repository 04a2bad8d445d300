"""The example notebook that is shipped, analysed once for all tests of what leaves the bench."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from tests.support import EXAMPLES
from weighloop.analysis.files.bench_file import read_bench
from weighloop.analysis.files.notebook import read_notebook
from weighloop.analysis.results import LoopResult, analyse


@cache
def example(number: int = 1) -> LoopResult:
    """Disc WP-07-``number`` with few trials."""
    bench = read_bench(EXAMPLES / f"wp-07-{number}.toml")
    readings = read_notebook(EXAMPLES / f"wp-07-{number}.csv", bench)
    return analyse(readings, bench, trials=400)


def watched() -> LoopResult:
    """The example as a run gives it: with settling times and a temperature, and a row set aside."""
    result = example()
    n = len(result.readings)
    readings = replace(
        result.readings, settled_in=np.linspace(0.7, 6.9, n), temperature=np.linspace(294.0, 295.0, n)
    )
    used = result.points.used.copy()
    used[4] = False
    why = [*result.points.why_not[:4], "draught <sill>", *result.points.why_not[5:]]
    return replace(result, readings=readings, points=replace(result.points, used=used, why_not=tuple(why)))
