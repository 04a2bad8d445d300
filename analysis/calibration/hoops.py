"""Turns times area of a coil, from its voltage in the alternating field of a pair of hoops."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi, sqrt
from pathlib import Path

import numpy as np

from ..constants import MU0
from ..errors import Fault, InputError
from ..files.text import read_text
from ..files.toml_tables import read_tables
from ..units import Measured, NotAQuantity, parse_measured


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


#: What a file of hoops states: unit, an example, and whether it may be left out.
_KEYS = {
    "radius": ("m", "150 mm +/- 0.15 mm", False),
    "spacing": ("m", "150 mm +/- 0.2 mm", False),
    "current": ("A", "1.000 A +/- 0.001 A", False),
    "voltage": ("V", "36.1 mV +/- 0.07 mV", False),
    "frequency": ("Hz", "5000 Hz +/- 0.1 Hz", False),
    "resistance": ("ohm", "9.05 ohm", True),
    "load": ("ohm", "100000 ohm", True),
    "size": ("m", "3 mm", True),
    "tilt": ("rad", "2 deg", True),
}


def read_hoops(path: str | Path) -> TurnArea:
    """A file with one table [hoops]: the keys of ``turn_area_by_hoops``, quantities as text, ``turns`` whole.
    Raises InputError naming each key at fault."""
    tables, faults = read_tables(read_text(path, "file of hoops"), str(path))
    stated = tables.get("hoops")
    if not isinstance(stated, dict):
        raise InputError(
            str(path), [*faults, Fault("file", "no table [hoops]", "radius, spacing, turns ...")]
        )
    faults += [Fault(f"hoops.{key}", "not known", ", ".join(("turns", *_KEYS)))
               for key in stated if key not in _KEYS and key != "turns"]  # fmt: skip
    found: dict[str, Measured] = {}
    for key, (unit, example, may_lack) in _KEYS.items():
        if key not in stated:
            faults += [] if may_lack else [Fault(f"hoops.{key}", "missing", f'such as "{example}"')]
            continue
        try:
            found[key] = parse_measured(stated[key], unit, example)
        except NotAQuantity as error:
            faults.append(Fault(f"hoops.{key}", error.found, error.right))
            continue
        if found[key].value < 0 or (found[key].value == 0 and key not in ("tilt", "resistance", "size")):
            faults.append(Fault(f"hoops.{key}", str(stated[key]), f'above zero, such as "{example}"'))
    turns = stated.get("turns")
    if not isinstance(turns, int) or isinstance(turns, bool) or turns < 1:
        faults.append(Fault("hoops.turns", repr(turns), "the turns of each hoop, a whole number"))
    if faults:
        raise InputError(str(path), faults)
    assert isinstance(turns, int)
    plain = {key: found[key].value for key in ("resistance", "load", "size", "tilt") if key in found}
    return turn_area_by_hoops(
        found["radius"],
        found["spacing"],
        turns,
        current=found["current"],
        voltage=found["voltage"],
        frequency=found["frequency"],
        **plain,
    )


def _slope(field, at: float) -> float:
    """Relative change of the field by metre."""
    step = 1e-6 * at
    return float(np.log(field(at + step) / field(at - step)) / (2 * step))
