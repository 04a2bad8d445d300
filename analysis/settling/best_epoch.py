"""The level at another moment than now, out of what the bank holds of it: itself, drift and creep."""

from __future__ import annotations

import math

import numpy as np

from ..records.arrays import Floats
from .settings import CREEP_TIMES

_CREEP = np.array(CREEP_TIMES)
#: What to multiply the level states with for the rate (1/s) at which the level moves now.
DRIFT_ROW = np.concatenate(([0.0, 1.0], -1 / _CREEP))
_FRACTIONS = np.linspace(0.0, 0.5, 9)
#: No look back is longer (s): creep as it was then would be beyond all numbers, and nothing is gained.
_LONGEST = 20 * max(CREEP_TIMES)


def level_row(ahead: float) -> Floats:
    """What to multiply the level states with for the level ``ahead`` s from now (negative: before now)."""
    return np.array([1.0, ahead, *(math.exp(-ahead / time) for time in CREEP_TIMES)])


def best_moment(covariance: Floats, age: float) -> float:
    """How far back (s), up to half the level's age and no more than minutes, it is known best."""
    lags = min(age, 2 * _LONGEST) * _FRACTIONS
    rows = np.empty((len(covariance), len(lags)))
    rows[0] = 1.0
    np.negative(lags, out=rows[1])
    np.exp(lags / _CREEP[:, None], out=rows[2:])
    return float(lags[((covariance @ rows) * rows).sum(axis=0).argmin()])
