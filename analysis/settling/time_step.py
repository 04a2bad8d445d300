"""What a step of time does to the bank's states and covariances, whatever they are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..records.arrays import Floats
from .settings import DEEPER_TIME, DEPTH_TIME, TICK

Singles = NDArray[np.float32]


def on_grid(time: float) -> float:
    """The time (s) on the grid that readings are put on: few different steps, whose effects are kept."""
    return round(time / TICK) * TICK


@dataclass(frozen=True)
class TimeStep:
    """Decays over one step, and process noise of the coloured noises (the first is the balance's own)."""

    decay: Floats  # of each state, (states, 1); of the balance's own noise 1
    decays: Singles  # of each covariance, (states, states, 1)
    fast: Singles  # of the balance's own noise in each model, (models,)
    cross: Floats  # added to the covariances of rate and value, (noises, models)
    rates: Floats  # to the variances of the rates
    values: Floats  # to the variances of the values
    deeper: float  # share by which a deeper breath is believed
    shallower: float

    @classmethod
    def of(cls, dt: float, rates: Floats, lag: Floats, power: Floats) -> TimeStep:
        """``dt`` s; ``rates`` (states, 1) of decay, ``lag`` (noises, models) inverse correlation times, 1/s;
        ``power`` (noises, models) the noises' variances."""
        decay = np.exp(-dt * rates)
        # exact for critically damped second-order noise (Matern 3/2)
        u = 2 * dt * lag
        E = np.exp(-u)
        return cls(
            decay=decay,
            decays=(decay[:, None] * decay).astype(np.float32),
            fast=np.exp(-dt * lag[0]).astype(np.float32),
            cross=power * lag * (1 - E * (1 + u)),
            rates=2 * lag**2 * power * (1 - E),
            values=power * (1 - E * (1 + u + u * u / 2)),
            deeper=-math.expm1(-dt / DEEPER_TIME),
            shallower=-math.expm1(-dt / DEPTH_TIME),
        )
