"""A virtual bench with a coil in the sample's place, which the tests' own uneven magnet pulls."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from ..models.uneven import TrueCoil, UnevenBench, coil_pull
from .virtual_bench import BENCH_TEXT, VirtualBench

COIL = """
[coil]
turns = 291
inner_diameter = "3 mm"
outer_diameter = "6 mm"
height = "3 mm"
rise = "1 mm +/- 0.03 mm"
thickness = "5 mm +/- 0.01 mm"
turn_area = "4799.57 mm^2 +/- 14 mm^2"
resistance = "9.05 ohm"
"""
TRUE = UnevenBench(remanence=1.33, contact=1.02e-3, core=0.03, scale=1.002)


@cache
def pull(height: float, end: int) -> float:
    """Attraction by current (N/A) at a height (m) above the closest position, an end (+1 or -1) down."""
    return float(coil_pull(TRUE, TrueCoil(), np.array([height]), np.array([end]))[0])


def bench_text(ladder: str) -> str:
    """The bench file, with its coil."""
    return BENCH_TEXT.format(ladder=ladder) + COIL


def bench_with_coil(store: Path | str = ":memory:", seed: int = 1) -> VirtualBench:
    """A bench with nothing on it yet; what is put on is the coil."""
    bench = VirtualBench(store, seed=seed)
    bench.coil = pull
    bench.sample_on = False
    return bench
