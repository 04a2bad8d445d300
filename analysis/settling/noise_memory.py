"""What a bench's noise was like, carried from one reading to the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from ..records.arrays import Floats
from .bench_past import BenchPast


@dataclass(frozen=True)
class NoiseMemory:
    """The noise statistics of one bench at one time; plain numbers and tuples, so JSON holds it.

    ``scales`` are each model's noise standard deviations in kg, ``log_weights`` how well each
    predicted the readings, ``counts`` from how many readings that is known. ``interval`` is the
    usual time between readings (s), ``usual_change`` the usual mean square change over a moment (kg squared),
    ``breath`` the amplitude of the breathing of late (kg); 0 where unknown.
    """

    scales: tuple[float, ...]
    log_weights: tuple[float, ...]
    counts: tuple[float, ...]
    interval: float = 0.0
    past: BenchPast | None = None
    usual_change: float = 0.0
    breath: float = 0.0

    def of_bank(self, models: int, resolution: float) -> tuple[Floats, Floats, Floats, float] | None:
        """Scales, weights, counts and breath in resolutions; None where another number of models is known."""
        told = np.array(self.scales) / resolution, np.array(self.log_weights), np.array(self.counts)
        known = all(len(values) == models for values in told)
        return (*told, self.breath / resolution) if known else None

    def to_dict(self) -> dict[str, Any]:
        """For JSON; ``from_dict`` reads it back."""
        return asdict(self)

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any] | None) -> NoiseMemory | None:
        """Read what ``to_dict`` wrote; None where it is not a memory (an older program's, say)."""
        if not stored:
            return None
        try:
            return cls(
                scales=_numbers(stored["scales"]),
                log_weights=_numbers(stored["log_weights"]),
                counts=_numbers(stored["counts"]),
                interval=float(stored.get("interval", 0.0)),
                past=BenchPast.from_dict(stored.get("past")),
                usual_change=float(stored.get("usual_change", 0.0)),
                breath=float(stored.get("breath", 0.0)),
            )
        except (KeyError, TypeError, ValueError):
            return None


def _numbers(values: Sequence[Any]) -> tuple[float, ...]:
    return tuple(float(v) for v in values)
