"""What is kept of one loop of several: its figures and their trials, when it was read and how warm it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from .figures.independent_inputs import FOLLOWED_ZERO, GAP_SETTING, READINGS, ZEROS
from .figures.uncertainty import BudgetLine, FigureResult
from .results import LoopResult

#: The figures that are followed from loop to loop.
FOLLOWED = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")
#: Of a loop's budget, what is its own; the method's part is alike in loops of one sample over the same gaps.
OWN = (READINGS, GAP_SETTING, ZEROS, FOLLOWED_ZERO)


@dataclass(frozen=True, eq=False)
class RepeatedLoop:
    """One loop of several: when it was read (``time``, s since 1970; NaN where nobody noted it), at which
    ``temperature`` (K) and how far that went meanwhile (``within``), both of the rows its figures are read
    off; ``samples`` are the trials of the figures that are followed, ``own`` the standard uncertainty of each
    by readings, zeros and gaps alone, ``shared`` as in ``LoopResult``."""

    name: str
    sample: str
    time: float
    temperature: float
    within: float
    figures: dict[str, FigureResult]
    samples: dict[str, np.ndarray[Any, np.dtype[np.float32]]]
    own: dict[str, float]
    shared: dict[str, str]
    warnings: tuple[str, ...]


def repeated_loop(result: LoopResult) -> RepeatedLoop:
    """What is kept of one loop."""
    readings = result.readings
    rows = np.flatnonzero(result.points.used & (np.array(result.points.branch) == "descending"))
    warmth = readings.temperature[rows] if len(rows) else np.array([np.nan])
    time = float(np.mean(readings.time[rows])) if len(rows) else np.nan
    noted = bool(np.isfinite(warmth).all())
    return RepeatedLoop(
        readings.source,
        result.bench.sample.name,
        _moment(readings.started) + time,
        float(warmth.mean()) if noted else np.nan,
        float(np.ptp(warmth)) if noted else np.nan,
        {key: result.figures[key] for key in FOLLOWED if key in result.figures},
        {key: np.asarray(result.samples[key], np.float32) for key in FOLLOWED if key in result.samples},
        {key: _own(result.budget.get(key, ())) for key in FOLLOWED},
        result.shared,
        tuple(warning.code for warning in result.warnings),
    )


def _moment(text: str) -> float:
    """A date and time as s since 1970; NaN where a notebook has none, or only an hour."""
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        return float("nan")


def _own(lines: Sequence[BudgetLine]) -> float:
    return float(np.sqrt(sum(line.u**2 for line in lines if line.input in OWN)))
