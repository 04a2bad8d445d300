"""The force between two magnets on one axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from ..constants import MU0
from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet, Sample
from ..units import Measured
from .quadrature import choose_order, mean_gradient, same_nodes
from .reference_magnet import cylinders


def force_between(
    magnet: ReferenceMagnet,
    other: ReferenceMagnet,
    gaps: ArrayLike,
    *,
    tolerance: float = 1e-10,
    closest: float | None = None,
    stated: ReferenceMagnet | None = None,
) -> Floats:
    """Attraction (N) of two coaxial round magnets facing each other unlike poles, at ``gaps`` (n,) in m.

    F = (J/μ0) V <dBz/dz> over the other magnet's volume, the gradient in closed form, the volume by
    quadrature refined to ``tolerance`` at the ``closest`` gap (else the smallest given); the same force as
    Vokoun, Beleggia, Heller & Sittner, J. Magn. Magn. Mater. 321 (2009) 3758, give as an integral over
    Bessel functions. ``stated``: what both are little else than; the nodes are chosen for that.
    """
    at = np.atleast_1d(np.asarray(gaps, float))
    nearest = float(at.min()) if closest is None else closest
    unit = replace(magnet, remanence=Measured(1.0))
    begun = other
    if stated is not None:
        core = stated.core_excess
        # With a core, where it may have one: nodes keep away from its edge.
        unit = replace(stated, remanence=Measured(1.0), core_excess=Measured(core.value or core.u))
        begun = replace(stated, core_excess=other.core_excess)
    force = np.zeros(at.shape)
    for (sign, R), (_, R_begun) in zip(cylinders(other), cylinders(begun), strict=True):
        body, before = (
            Sample("other magnet", "cylinder", height=m.height, diameter=Measured(2 * radius))
            for m, radius in ((other, R), (begun, R_begun))
        )
        rule = same_nodes(choose_order(unit, before, nearest, tolerance=tolerance), before, body)
        V = np.pi * R**2 * other.height.value
        force -= sign * other.remanence.value / MU0 * V * mean_gradient(magnet, at, rule)
    return force
