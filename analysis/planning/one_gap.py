"""One gap by itself: the height that sets it, and what a ferrite that the field has turned pulls there."""

from __future__ import annotations

import numpy as np

from ..constants import MU0
from ..errors import Fault, InputError
from ..forces.force import reading_change
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.quadrature import mean_field, volume
from ..records.bench import Bench
from .assumed_loop import AssumedLoop
from .placing import LIFT_PITCH


def height_of(bench: Bench, gap: float) -> float:
    """The height (m above the closest position) of ``gap`` (m), as the lift's heights go. Raises InputError
    where the lift does not reach."""
    closest, widest = (float(bench.gap.at_height(np.array([h]))[0]) for h in (0.0, bench.gap.travel))
    steps = np.rint((gap - closest) / bench.gap.scale.value / LIFT_PITCH)
    if not closest - LIFT_PITCH / 2 <= gap <= widest + LIFT_PITCH / 2:
        found, reach = f"{gap * 1e3:.3f} mm", f"{closest * 1e3:.2f} mm to {widest * 1e3:.2f} mm"
        raise InputError("gap", [Fault("gap", found, f"within the lift's reach, {reach}")])
    return float(max(steps, 0.0) * LIFT_PITCH)


def prediction_at(bench: Bench, gap: float) -> tuple[float, float]:
    """Applied field (A/m, mean over the sample) and change of reading (kg) at ``gap`` (m), for the assumed
    hard ferrite on its way out of the strongest field."""
    Bz, slope = mean_field(bench.reference_magnet, bench.sample, np.array([gap]))
    along, applied = np.sign(Bz), Bz / MU0
    N = demagnetising_factor(bench.sample).axial
    M = along * AssumedLoop.of(None, None).at(along * applied, N, "descending")
    reading = reading_change(-M * volume(bench.sample) * slope, bench)
    return float(applied[0]), float(np.asarray(reading)[0])
