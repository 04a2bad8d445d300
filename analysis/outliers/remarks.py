"""Findings that set no row aside: about the bench file, the order of the rows, the columns, the branches."""

from __future__ import annotations

import numpy as np

from ..errors import Finding, about_rows
from ..forces.branches import incomplete
from ..magnetostatics import quadrature
from ..records.bench import Sample
from .table import Table

#: The densest a sintered hard ferrite can be: the X-ray density of BaFe12O19, kg/m³ (check by lattice
#: constants: two formula units in a cell of a = 0.5893 nm, c = 2.3194 nm); SrFe12O19 is 5101.
XRAY_DENSITY = 5292.0


def incomplete_branches(table: Table) -> Table:
    """What is missing for a closed loop."""
    return table.set_aside({}, incomplete(table.arranged))


def density(table: Table) -> Table:
    """Mass and size that make a hard ferrite denser than its crystal."""
    sample = table.bench.sample
    mass = sample.mass
    if mass is None:
        return table
    density = mass.value / quadrature.volume(sample)
    u = density * _relative_volume_uncertainty(sample)
    u = float(np.hypot(u, density * mass.u / mass.value)) if mass.value > 0 else u
    if density - 3.0 * u <= XRAY_DENSITY:
        return table
    text = (
        f"mass and size make {density / 1e3:.2f} g/cm³, more than a hard ferrite without pores "
        f"({XRAY_DENSITY / 1e3:.2f} g/cm³): for a ferrite the mass or a size in the bench file is wrong"
    )
    return table.set_aside({}, [Finding("density-suspect", text)])


def _relative_volume_uncertainty(sample: Sample) -> float:
    """Relative standard uncertainty of the sample's volume from its sizes."""
    powers = {"height": 1, "diameter": 2, "length": 1, "width": 1}
    if sample.shape == "sphere":
        powers = {"diameter": 3}
    total = 0.0
    for name, power in powers.items():
        size = getattr(sample, name)
        if size is not None:
            total += (power * size.u / size.value) ** 2
    return float(np.sqrt(total))


def order_in_time(table: Table) -> Table:
    """Times that run backward: rows out of order, or a clock set back."""
    readings = table.readings
    at = np.flatnonzero(np.isfinite(readings.time))
    back = at[1:][np.diff(readings.time[at]) < 0]
    if not len(back):
        return table
    text = "earlier than the row before; taken in the order written"
    return table.set_aside({}, [about_rows("time-order", readings.row[back], text)])


def by_the_reader(table: Table) -> Table:
    """What the reader of the table had to say: columns it did not know, damaged events of a log."""
    return table.set_aside({}, list(table.readings.remarks))
