"""A sample's magnetisation by substitution: sample and coil in the same places, M from the ratio of pulls.

Where a winding takes the sample's place, of the magnet only the ratio of two nearly equal gradients counts:
neither its strength nor the contact gap, nor gravity, nor the balance's span. What is left is the coil's
turns times area, the sample's volume, how high the winding lies in the coil, and the noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot
from typing import Any

import numpy as np

from ..constants import MU0
from ..errors import NotPossible
from ..forces.branches import points
from ..magnetostatics.current_loop import coil_gradient, turn_area
from ..magnetostatics.quadrature import mean_field, volume
from ..records.arrays import Floats
from ..records.bench import Bench, Coil
from ..records.coil_readings import CoilReadings
from ..records.readings import Readings
from ..units import Measured
from .coil import source_of_coil
from .settings import SAME_PLACE, U_RATIO


@dataclass(frozen=True, eq=False)
class Substitution:
    """The rows (n,) of the sample's readings in whose place a winding was weighed: ``M`` along the sample's
    own axis and its standard uncertainty ``u`` in A/m, ``own`` the part of ``u`` that is each row's,
    ``H_applied`` (A/m) by the bench file.

    ``budget`` are the parts that all rows share, relative to M, by name. ``left_out`` are rows of the sample
    outside the places where the winding was.
    """

    row: tuple[int, ...]
    gap: Floats
    orientation: Floats
    H_applied: Floats
    M: Floats
    u: Floats
    own: Floats
    budget: dict[str, float]
    left_out: tuple[int, ...]
    sample: str

    @property
    def common(self) -> float:
        """Relative standard uncertainty that all rows share."""
        return hypot(*self.budget.values())

    def to_json(self) -> dict[str, Any]:
        """Plain types, SI, the unit in every key."""
        columns = zip(
            self.row,
            self.gap.tolist(),
            self.orientation.tolist(),
            self.H_applied.tolist(),
            self.M.tolist(),
            self.u.tolist(),
            self.own.tolist(),
            strict=True,
        )
        keys = ("row", "gap_m", "orientation", "H_applied_A_per_m", "M_A_per_m", "u_M_A_per_m")
        return {
            "sample": self.sample,
            "rows": [dict(zip((*keys, "u_own_A_per_m"), values, strict=True)) for values in columns],
            "budget": self.budget,
            "u_common": self.common,
            "left_out": list(self.left_out),
        }


def substitute(readings: Readings, coil: CoilReadings, bench: Bench) -> Substitution:
    """M at every gap of the bench's sample between the places where its coil's winding was.

    How much harder or weaker the coil was pulled than the bench file foresees changes slowly with the place:
    between two places it is interpolated, over the logarithm of the gap. Raises NotPossible where the bench
    file describes no coil, a current was not reversed, or no row of the sample stands between such places.
    """
    source = source_of_coil(coil, bench)
    assert bench.coil is not None
    table = points(readings, bench)
    stops = np.asarray(bench.gap.at_height(source.heights), float)
    ends = np.ones_like(stops) if source.ends is None else source.ends
    both = len(np.unique(ends)) > 1
    magnet, sample = bench.reference_magnet, bench.sample
    area = turn_area(bench.coil).value * bench.coil.current_gain.value
    coils = [_turned(bench.coil, end) for end in ends]
    foreseen = np.array([area * coil_gradient(magnet, c, [g])[0] for c, g in zip(coils, stops, strict=True)])
    place = stops + [c.rise.value for c in coils]
    places, excess, u_excess = _by_place(place, source.measured / foreseen, source.u / foreseen)
    inside = (table.gap >= places[0] - SAME_PLACE) & (table.gap <= places[-1] + SAME_PLACE)
    kept = np.flatnonzero(table.used & inside)
    if not len(kept):
        raise NotPossible(
            "no reading of the sample stands between the places of the winding, gaps of "
            f"{places[0] * 1e3:.2f} to {places[-1] * 1e3:.2f} mm: weigh the sample there"
        )
    at = np.log(table.gap[kept])
    here = np.interp(at, np.log(places), excess)
    u_here = np.interp(at, np.log(places), u_excess)
    slope = -mean_field(magnet, sample, table.gap[kept])[1] * here
    values = table.orientation[kept] * table.force[kept] / slope / volume(sample)
    parts = np.abs(values) * np.hypot(table.u_force[kept] / table.force[kept], u_here / here)
    left_out = tuple(int(row) for row in table.row[table.used & ~inside])
    budget = _budget(bench, bench.coil, both, float(places[0]))
    common = hypot(*budget.values())
    return Substitution(
        tuple(int(row) for row in table.row[kept]),
        table.gap[kept],
        table.orientation[kept].astype(float),
        table.orientation[kept] * mean_field(magnet, sample, table.gap[kept])[0] / MU0,
        values,
        np.hypot(parts, common * values),
        parts,
        budget,
        left_out,
        sample.name,
    )


def _by_place(place: Floats, value: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
    """Places (m) rising, and the weighted mean of the values at each with its standard uncertainty."""
    order = np.argsort(place)
    new = np.diff(place[order], prepend=-np.inf) > SAME_PLACE
    groups = np.split(order, np.flatnonzero(new)[1:])
    weights = [u[at] ** -2.0 for at in groups]
    means = [np.average(value[at], weights=w) for at, w in zip(groups, weights, strict=True)]
    return (
        np.array([place[at].mean() for at in groups]),
        np.array(means),
        np.array([w.sum() ** -0.5 for w in weights]),
    )


def _turned(coil: Coil, end: int) -> Coil:
    """The coil with that end down; weighed without its thickness it is taken to be the same both ways."""
    if end > 0 or coil.thickness is None:
        return coil
    return replace(coil, rise=Measured(coil.thickness.value - coil.height.value - coil.rise.value))


def _budget(bench: Bench, coil: Coil, both: bool, closest: float) -> dict[str, float]:
    """What all rows share, relative: the winding's height counts most at the ``closest`` place (m)."""
    area, sample = turn_area(coil), bench.sample
    u_rise = coil.thickness.u / 2 if both and coil.thickness is not None else coil.rise.u
    here, up = coil_gradient(bench.reference_magnet, coil, [closest, closest + 1e-6])
    powers = {"sphere": {"diameter": 3}, "block": {"length": 1, "width": 1, "height": 1}}
    sizes = powers.get(sample.shape, {"diameter": 2, "height": 1})
    parts = [power * getattr(sample, name).u / getattr(sample, name).value for name, power in sizes.items()]
    return {
        "coil's turns times area": area.u / area.value,
        "scale of the current": coil.current_gain.u / coil.current_gain.value,
        "height of the winding, at the closest place": abs(up / here - 1) / 1e-6 * u_rise,
        "volume of the sample": float(np.linalg.norm(parts)),
        "ratio of the two gradients": U_RATIO,
    }
