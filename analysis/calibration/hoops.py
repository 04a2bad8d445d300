"""Turns times area of a coil, from its voltage in the alternating field of a pair of hoops."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi, sqrt

import numpy as np

from ..constants import MU0
from ..units import Measured


@dataclass(frozen=True)
class TurnArea:
    """Turns times area (m²), its standard uncertainty, and each input's share of it (relative)."""

    value: float
    u: float
    budget: dict[str, float]


def centre_field(radius: float, spacing: float, turns: int, current: float = 1.0) -> float:
    """Field (T) midway between two coaxial hoops of ``turns`` each, ``spacing`` apart, in series.

    At spacing = radius it is the Helmholtz pair's 8/5^(3/2) μ0 N I / R.
    """
    return MU0 * turns * current * radius**2 / (radius**2 + spacing**2 / 4) ** 1.5


def turn_area_by_hoops(
    radius: Measured,
    spacing: Measured,
    turns: int,
    *,
    current: Measured,
    voltage: Measured,
    frequency: Measured,
    resistance: float = 0.0,
    load: float = float("inf"),
    size: float = 0.0,
    tilt: float = 0.0,
) -> TurnArea:
    """Turns times area by Faraday's law: voltage = 2 pi frequency * field * turns times area.

    ``current`` and ``voltage`` are of one kind (both effective, or both peak), best by one instrument, whose
    scale then cancels but for the shunt. ``resistance`` of the coil and ``load`` of the voltmeter (ohm): the
    coil is read low by their divider. ``size`` (m) is the coil's half diagonal: over it the field of a
    Helmholtz pair falls by up to (size/radius)^4, as its second derivatives vanish in the middle; ``tilt``
    (rad) costs half its square. Both are uncertainties here, of a rectangle that wide.
    """
    R, d = radius.value, spacing.value
    field = centre_field(R, d, turns, current.value)
    divider = 1 + resistance / load
    value = voltage.value * divider / (2 * pi * frequency.value * field)
    by_radius = _slope(lambda r: centre_field(r, d, turns), R)
    by_spacing = _slope(lambda s: centre_field(R, s, turns), d)
    budget = {
        "radius of the hoops": abs(by_radius) * radius.u,
        "distance of the hoops": abs(by_spacing) * spacing.u,
        "current": current.u / current.value,
        "voltage": voltage.u / voltage.value,
        "frequency": frequency.u / frequency.value,
        "field over the coil": (size / R) ** 4 / sqrt(3),
        "tilt of the coil": tilt**2 / 2 / sqrt(3),
    }
    return TurnArea(value, value * hypot(*budget.values()), budget)


def _slope(field, at: float) -> float:
    """Relative change of the field by metre."""
    step = 1e-6 * at
    return float(np.log(field(at + step) / field(at - step)) / (2 * step))
