"""Whether a bench's calibration still holds: the coil at a gap or two against what the file foresees."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from ..magnetostatics.bench_linearisation import measured_inputs, stated_correlation, with_value
from ..magnetostatics.reference_magnet import at_temperature
from ..records.arrays import Floats
from ..records.bench import Bench
from ..units import Measured
from .fit import Source
from .settings import FAILS

#: What the pull on a coil depends on.
_PARTS = ("reference_magnet.", "gap.contact", "gap.scale")


@dataclass(frozen=True)
class Check:
    """``ratio``: pull found by pull foreseen, less 1, mean of the readings by their weight; ``u`` its
    standard uncertainty, the bench file's and the coil's included."""

    ratio: float
    u: float
    holds: bool
    words: str

    def to_json(self) -> dict[str, Any]:
        """Plain types only."""
        return asdict(self)


def check_coil(source: Source, bench: Bench) -> Check:
    """The readings of a coil against the bench file as it stands."""
    rows = source.rows
    by_file = foreseen(source, bench)
    inputs = [(key, m) for key, m in measured_inputs(bench) if key.startswith(_PARTS)]
    ways = np.array([foreseen(source, with_value(bench, key, m.u)) - by_file for key, m in inputs])
    covariance = ways.T @ stated_correlation(bench, tuple(key for key, _ in inputs)) @ ways
    for name, m in source.nuisances.items():
        by = foreseen(source, bench, name, m.u) - by_file
        covariance += np.outer(by, by)
    own = source.spread(bench.reference_magnet)[rows]
    covariance = (covariance + np.diag(own**2)) / np.outer(by_file, by_file)
    off = source.measured[rows] / by_file - 1
    # All of one place and time: a mean by the readings' own weight, its u by all of the covariance.
    weight = (by_file / own) ** 2 / np.sum((by_file / own) ** 2)
    ratio, u = float(weight @ off), float(np.sqrt(weight @ covariance @ weight))
    holds = abs(ratio) <= FAILS * u
    said = f"the coil is pulled {100 * ratio:+.2f} % from what the bench file foresees (u {100 * u:.2f} %)"
    if holds:
        words = f"The calibration holds: {said}."
    else:
        words = (
            f"The calibration does not hold any more: {said}. Check the gap and the current, then calibrate."
        )
    return Check(ratio, u, holds, words)


def foreseen(source: Source, bench: Bench, changed: str = "", by: float = 0.0) -> Floats:
    """The source's readings (those used) by the bench file, one of the source's own values changed."""
    magnet = bench.reference_magnet
    warm = at_temperature(replace(magnet, remanence=Measured(1.0)), bench.site.temperature.value)
    strength = warm.remanence.value * magnet.remanence.value
    gap = bench.gap.contact.value + bench.gap.scale.value * source.heights[source.rows]
    own = np.array([m.value + by * (name == changed) for name, m in source.nuisances.items()])
    return source.model(replace(magnet, remanence=Measured(strength)), gap, own)
