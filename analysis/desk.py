"""The desk's questions as functions that answer with tables: fields, factors, ladders, comparisons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from .files.bench_file import read_bench
from .magnetostatics.demagnetising_factor import DemagnetisingFactor
from .magnetostatics.demagnetising_factor import demag as factor_of
from .records.bench import Bench
from .run import Run

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import ArrayLike

    from .comparison import Comparison


def _bench(bench: str | Path | Bench) -> Bench:
    return bench if isinstance(bench, Bench) else read_bench(bench)


def field(bench: str | Path | Bench, gaps_m: ArrayLike) -> pd.DataFrame:
    """The reference magnet's field (T) and gradient (T/m) at gaps in m, (n,): on the axis at the height of
    the sample's centre, and averaged over the sample. A row a gap. Raises InputError for a faulty bench
    file."""
    import numpy as np
    import pandas as pd

    from .magnetostatics.quadrature import mean_field
    from .magnetostatics.reference_magnet import on_axis

    known, gap = _bench(bench), np.atleast_1d(np.asarray(gaps_m, float))
    magnet, sample = known.reference_magnet, known.sample
    B, gradient, _ = on_axis(magnet, gap + sample.height.value / 2)
    B_mean, gradient_mean = mean_field(magnet, sample, gap)
    columns = {
        "gap_m": gap,
        "B_axis_T": B,
        "gradient_axis_T_per_m": gradient,
        "B_mean_T": B_mean,
        "gradient_mean_T_per_m": gradient_mean,
    }
    return pd.DataFrame(columns).set_index("gap_m")


def demag(shape: str, **lengths_m: float) -> DemagnetisingFactor:
    """The magnetometric demagnetising factor of a cylinder, block, sphere or spheroid magnetised along its
    height, for a susceptibility of zero; sizes in m (``diameter``, ``height``, ``length``, ``width``)."""
    return factor_of(shape, **lengths_m)


def plan(bench: str | Path | Bench, points: int = 24) -> pd.DataFrame:
    """The gap ladder of a loop in history-safe order, a row a step: gap, spacers, orientation, applied field
    and the reading that is expected; SI. Raises NotPossible where the pull lifts the magnet off the pan or
    passes the balance's capacity."""
    import pandas as pd

    from .planning.gap_ladder import plan as ladder_of

    steps = [asdict(step) for step in ladder_of(_bench(bench), points).steps]
    names = {"gap": "gap_m", "H_applied": "H_applied_A_per_m", "predicted_reading": "predicted_reading_kg"}
    return pd.DataFrame(steps).rename(columns=names).set_index("step")


def compare(runs: Sequence[Run]) -> Comparison:
    """Runs side by side: each figure's differences against their joint uncertainty, in which the inputs that
    the runs share cancel; ``to_json()`` has it all. Raises ValueError for fewer than two runs."""
    from .comparison import compare as compare_results

    return compare_results([run.result for run in runs])
