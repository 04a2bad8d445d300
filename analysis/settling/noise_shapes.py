"""The noise that each model of the bank assumes over the level."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from ..records.arrays import Floats
from .settings import BREATH_FASTS, FASTS, FREQUENCIES, SLOWS, UNEVEN


@dataclass(frozen=True)
class Shapes:
    """The noise each model assumes, arrays of shape (models,). Variances relative to the model's scale."""

    frequency: Floats  # Hz, 0 = no breathing
    white: Floats
    fast: Floats
    fast_time: Floats  # s
    slow: Floats  # variance of each slow noise, (len(SLOW_TIMES), models)
    prior: Floats  # natural logarithm

    def __len__(self) -> int:
        return len(self.frequency)


def standard_shapes() -> Shapes:
    """The bank as shipped: fast noise white or filtered, draughts of four strengths, ten breathings."""
    rows, slows = [], []
    for frequency in (0.0, *FREQUENCIES):
        share = np.log(len(FREQUENCIES)) if frequency else 0.0
        fasts, kinds = (BREATH_FASTS, SLOWS + UNEVEN) if frequency else (FASTS, SLOWS)
        for (white, fast, tau), (slow, cost) in itertools.product(fasts, kinds):
            rows.append((frequency, white, fast, tau, cost - share))
            slows.append(slow)
    frequency, white, fast, tau, prior = np.array(rows).T
    return Shapes(frequency, white, fast, tau, np.array(slows).T.copy(), prior)
