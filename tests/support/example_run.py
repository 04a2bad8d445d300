"""The example notebook that is shipped, analysed once for all tests of what leaves the bench."""

from __future__ import annotations

from functools import cache

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
