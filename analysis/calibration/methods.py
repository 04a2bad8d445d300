"""Calibrating the bench: remanence of the reference magnet and contact gap, fitted together.

Three ways, by what is at hand: a field probe moved along the axis, a standard sample of known moment
weighed at several gaps, or a second magnet of the same kind. Remanence and contact gap pull the data in
much the same direction (a stronger magnet looks like a closer one), so they are fitted together, their
correlation is kept, and data that cannot tell them apart are refused.

All three take ``heights`` (n,) in m above the closest position (gap = contact + height) and ``contact``,
where the search begins. Standard uncertainties of the readings are (n,) or one for all; None: equal ones,
estimated from the scatter. ``temperature`` (K) is the magnet's; the remanence is reported at 20 degrees
Celsius. ``hold`` = "remanence" or "contact" takes that one as the bench file states it, with its uncertainty,
and fits the other.
All raise NotPossible where the data cannot tell remanence from contact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..constants import MU0
from ..errors import NotPossible
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.magnet_pair import force_between
from ..magnetostatics.quadrature import choose_order, mean_field, volume
from ..magnetostatics.reference_magnet import REMANENCE_TEMPERATURE, on_axis
from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet, Sample
from ..units import Measured
from .fit import Calibration, Problem

#: A soft standard counts as saturated where the applied field exceeds its demagnetising field this many
#: times. Common practice, no source.
SATURATION_MARGIN = 1.5


def from_probe(
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    B: ArrayLike,
    *,
    contact: Measured,
    probe_offset: Measured,
    u_B: ArrayLike | None = None,
    gain_u: float = 0.0,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
) -> Calibration:
    """Fit to field readings ``B`` (n,) in T on the axis, the probe in the sample's place.

    ``probe_offset`` is how deep below its face the probe's sensitive spot lies, ``gain_u`` the relative
    uncertainty of the probe's scale. Other arguments, and what is refused: see the module's text.
    """

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return on_axis(body, gap + nuisance[0])[0] * nuisance[1]

    return Problem(
        "probe on the axis",
        model,
        magnet,
        contact,
        np.asarray(heights, float),
        np.asarray(B, float),
        temperature,
        hold,
        nuisances={"probe_offset": probe_offset, "probe_gain": Measured(1.0, gain_u)},
    ).solve(_numbers(u_B))


def from_standard(
    magnet: ReferenceMagnet,
    standard: Sample,
    moment: Measured,
    heights: ArrayLike,
    force: ArrayLike,
    *,
    contact: Measured,
    soft: bool = True,
    u_force: ArrayLike | None = None,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
) -> Calibration:
    """Fit to the attraction ``force`` (n,) in N on a standard sample of known ``moment`` (A m^2).

    ``soft``: the standard (a nickel sphere) has its moment only where the field saturates it; gaps with
    less than 1.5 times its demagnetising field are set aside. A permanent-magnet standard is not ``soft``.
    Other arguments, and what is refused: see the module's text.
    """
    h = np.asarray(heights, float)
    rule = choose_order(magnet, standard, max(float(np.nanmin(h)) + contact.value / 2, 0.0))

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return -nuisance[0] * mean_field(body, standard, gap, rule=rule)[1]

    used, warnings = None, ()
    if soft:
        needed = demagnetising_factor(standard).axial * moment.value / volume(standard) * SATURATION_MARGIN
        applied = np.abs(mean_field(magnet, standard, h + contact.value, rule=rule)[0]) / MU0
        used = applied >= needed
        if not used.all():
            warnings = (
                f"{int((~used).sum())} readings are set aside: the standard is surely saturated only where "
                f"the applied field exceeds {needed / 1e3:.3g} kA/m",
            )
    return Problem(
        "standard sample of known moment",
        model,
        magnet,
        contact,
        h,
        np.asarray(force, float),
        temperature,
        hold,
        nuisances={"moment": moment},
        used=used,
        warnings=warnings,
    ).solve(_numbers(u_force))


def from_pair(
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    force: ArrayLike,
    *,
    contact: Measured,
    u_force: ArrayLike | None = None,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
) -> Calibration:
    """Fit to the attraction ``force`` (n,) in N between two magnets of the reference magnet's kind.

    They face each other unlike poles, coaxial, the second in the sample's place; both are taken to have the
    same remanence, and the result is their (geometric) mean. Other arguments, and what is refused: see the
    module's text; a block too.
    """
    if magnet.shape == "block":
        raise NotPossible("a pair of blocks is not calibrated here: use a probe or a standard sample")
    h = np.asarray(heights, float)
    closest = max(float(np.nanmin(h)) + contact.value / 2, 0.0)

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return force_between(body, body, gap, closest=closest, tolerance=1e-8)

    return Problem(
        "pair of like magnets",
        model,
        magnet,
        contact,
        h,
        np.asarray(force, float),
        temperature,
        hold,
    ).solve(_numbers(u_force))


def _numbers(u: ArrayLike | None) -> Floats | None:
    return None if u is None else np.asarray(u, float)
