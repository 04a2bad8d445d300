"""Slips of the hand and of the pen, found by what a magnet cannot do.

A reading that breaks the limits of its branch (``branch_limits``) by more than its noise and the
coarseness of the mean method is not of this branch: its gap, its orientation or its zero is wrong. What
can be told is told; the row is set aside with the reason, and nothing else is touched.
"""

from __future__ import annotations

import numpy as np

from ..errors import Finding, about_rows
from ..forces.branches import Arrangement, arrange, incomplete
from ..magnetostatics import quadrature
from ..records.bench import Bench
from ..records.readings import Readings
from .mirrored_rows import screen_mirrored_rows
from .orientation import attraction, turns
from .physical_limits import limits_of
from .single_rows import screen_single_rows
from .zero_offsets import zero_steps, zeros_that_moved

#: The densest a sintered hard ferrite can be: the X-ray density of BaFe12O19, kg/m^3 (check by lattice
#: constants: two formula units in a cell of a = 0.5893 nm, c = 2.3194 nm); SrFe12O19 is 5101.
XRAY_DENSITY = 5292.0


def check(readings: Readings, bench: Bench) -> Arrangement:
    """Arrange ``readings`` and look for every slip; returns the arrangement with suspect rows set aside."""
    arranged = arrange(readings, bench)
    arranged = zeros_that_moved(arranged, readings)
    arranged = attraction(arranged)
    if arranged.points.used.sum() >= 4:
        limits = limits_of(arranged, bench)
        arranged = screen_mirrored_rows(arranged, limits, bench)
        arranged = zero_steps(arranged, limits)
        arranged = turns(arranged, limits)
        arranged = screen_single_rows(arranged, limits)
    extra = [*incomplete(arranged), *_density(bench), *_order_in_time(readings)]
    extra += [Finding("unknown-column", remark) for remark in readings.remarks]
    return arranged.set_aside({}, extra)


def _density(bench: Bench) -> list[Finding]:
    """Mass and size that make a hard ferrite denser than its crystal."""
    mass = bench.sample.mass
    if mass is None:
        return []
    density = mass.value / quadrature.volume(bench.sample)
    u = density * relative_volume_uncertainty(bench)
    u = float(np.hypot(u, density * mass.u / mass.value)) if mass.value > 0 else u
    if density - 3.0 * u > XRAY_DENSITY:
        text = (
            f"mass and size make {density / 1e3:.2f} g/cm3, more than a hard ferrite without pores "
            f"({XRAY_DENSITY / 1e3:.2f} g/cm3): for a ferrite the mass or a size in the bench file is wrong"
        )
        return [Finding("density-suspect", text)]
    return []


def relative_volume_uncertainty(bench: Bench) -> float:
    """Relative standard uncertainty of the sample's volume from its sizes."""
    sample = bench.sample
    powers = {"height": 1, "diameter": 2, "length": 1, "width": 1}
    if sample.shape == "sphere":
        powers = {"diameter": 3}
    total = 0.0
    for name, power in powers.items():
        size = getattr(sample, name)
        if size is not None:
            total += (power * size.u / size.value) ** 2
    return float(np.sqrt(total))


def _order_in_time(readings: Readings) -> list[Finding]:
    """Times that run backward: rows out of order, or a clock set back."""
    at = np.flatnonzero(np.isfinite(readings.time))
    back = at[1:][np.diff(readings.time[at]) < 0]
    if not len(back):
        return []
    text = "earlier than the row before; taken in the order written"
    return [about_rows("time-order", readings.row[back], text)]
