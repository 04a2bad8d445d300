"""The force between two magnets on one axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from ..constants import MU0
from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet, Sample
from ..units import Measured
from .quadrature import choose_order, mean_field
from .reference_magnet import cylinders


def force_between(
    magnet: ReferenceMagnet,
    other: ReferenceMagnet,
    gaps: ArrayLike,
    *,
    tolerance: float = 1e-10,
    closest: float | None = None,
) -> Floats:
    """Attraction (N) of two coaxial round magnets facing each other unlike poles, at ``gaps`` (n,) in m.

    F = (J/μ0) V <dBz/dz> over the other magnet's volume, the gradient in closed form, the volume by
    quadrature refined to ``tolerance`` at the ``closest`` gap (else the smallest given); the same force as
    Vokoun, Beleggia, Heller & Sittner, J. Magn. Magn. Mater. 321 (2009) 3758, give as an integral over
    Bessel functions.
    """
    at = np.atleast_1d(np.asarray(gaps, float))
    nearest = float(at.min()) if closest is None else closest
    unit = replace(magnet, remanence=Measured(1.0))
    force = np.zeros(at.shape)
    for sign, R in cylinders(other):
        body = Sample("other magnet", "cylinder", height=other.height, diameter=Measured(2 * R))
        rule = choose_order(unit, body, nearest, tolerance=tolerance)
        slope = mean_field(magnet, body, at, rule=rule)[1]
        V = np.pi * R**2 * other.height.value
        force -= sign * other.remanence.value / MU0 * V * slope
    return force
