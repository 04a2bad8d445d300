"""Loops run together out of the script: a room that warms by ten kelvins and cools again, a sample with the
coefficients of hard ferrite (from memory: -0.19 %/K of Br, +0.4 %/K of HcJ)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache

import numpy as np

from weighloop.analysis.figures.uncertainty import FigureResult, shared_normals
from weighloop.analysis.repeat import repeat
from weighloop.analysis.repeated_loop import RepeatedLoop
from weighloop.daemon.protocol import Run
from weighloop.tui.state.repeats import LoopsTogether, as_figures

TRIALS = 1000
#: Each figure at 20 degrees Celsius, A/m, and its coefficient, 1/K.
TRUE = {"remanence_A_per_m": (150e3, -0.0019), "coercivity_HcJ_A_per_m": (210e3, 0.004)}


def _loop(number: int, hour: float, kelvin: float) -> RepeatedLoop:
    random = np.random.default_rng(number)
    scale, warm = shared_normals(1, ("scale", "coefficient"), TRIALS).T
    factor = 1.0 + 0.01 * scale + 1e-4 * (kelvin - 293.15) * warm
    figures, samples = {}, {}
    for key, (at_reference, per_kelvin) in TRUE.items():
        v = at_reference * (1.0 + per_kelvin * (kelvin - 293.15) + 8e-4 * random.standard_normal())
        figures[key] = FigureResult(v, 0.01 * v, 0.98 * v, 1.02 * v, "measured", None)
        own = 8e-4 * random.standard_normal(TRIALS)
        samples[key] = np.asarray(v * (factor + own), np.float32)
    words = {"scale": "contact gap", "coefficient": "temperature coefficient of the reference magnet"}
    own_u = {key: 8e-4 * value for key, (value, _) in TRUE.items()}
    name = f"run {number}"
    return RepeatedLoop(name, "WP-07-12", 3600.0 * hour, kelvin, 0.1, figures, samples, own_u, words, ())


@cache
def repeats(count: int = 8) -> LoopsTogether:
    """What ``count`` loops of a night say, the last of them run 12."""
    hours = 0.6 * np.arange(count)
    kelvin = 291.0 + 10.0 * np.sin(np.pi * np.arange(count) / (count - 1))
    loops = [_loop(13 - count + k, h, T) for k, (h, T) in enumerate(zip(hours, kelvin, strict=True))]
    return as_figures(repeat(loops, trials=TRIALS, seed=1), ("run 4: no finished loop",))


def followed(runs: Sequence[Run], progress: Callable[[str], None] = lambda stage: None) -> LoopsTogether:
    """As the process that computes would answer."""
    progress(f"{len(runs)} of {len(runs)} loops")
    return repeats(len(runs))
