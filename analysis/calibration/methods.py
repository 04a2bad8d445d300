"""Calibrating the bench: what its magnet, its contact gap and its heights are, from readings.

By what is at hand: a field probe moved along the axis, a standard sample of known moment weighed at several
gaps, a second magnet of the same kind, or a coil of known current (``coil``). Remanence and contact gap pull
the data in much the same direction (a stronger magnet looks like a closer one), so they are fitted together,
their correlation is kept, and data that cannot tell them apart are refused.

Each kind of readings is a ``Source``; one is fitted ``alone``, or any of them ``together``.

All take ``heights`` (n,) in m above the closest position (gap = contact + scale * height) and ``contact``,
where the search begins. Standard uncertainties of the readings are (n,) or one for all; None: equal ones,
estimated from the scatter. ``temperature`` (K) is the magnet's; the remanence is reported at 20 degrees
Celsius. ``hold`` = "remanence" or "contact" takes that one as the bench file states it, with its uncertainty,
and fits the other. All raise NotPossible where the data cannot tell remanence from contact.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from ..constants import MU0
from ..errors import NotPossible
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.magnet_pair import force_between
from ..magnetostatics.quadrature import choose_order, mean_field, mean_gradient, volume
from ..magnetostatics.reference_magnet import REMANENCE_TEMPERATURE, on_axis
from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet, Sample
from ..units import Measured
from .fit import Problem, Source
from .outcome import Calibration
from .settings import SATURATION_MARGIN, WORST_PULL


def probe(
    heights: ArrayLike,
    B: ArrayLike,
    *,
    probe_offset: Measured,
    u_B: ArrayLike | None = None,
    gain_u: float = 0.0,
) -> Source:
    """Field readings ``B`` (n,) in T on the axis, the probe in the sample's place.

    ``probe_offset`` is how deep below its face the probe's sensitive spot lies, ``gain_u`` the relative
    uncertainty of the probe's scale.
    """

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return on_axis(body, gap + nuisance[0])[0] * nuisance[1]

    return Source(
        "probe on the axis",
        model,
        np.asarray(heights, float),
        np.asarray(B, float),
        _numbers(u_B),
        {"probe_offset": probe_offset, "probe_gain": Measured(1.0, gain_u)},
    )


def standard(
    magnet: ReferenceMagnet,
    sample: Sample,
    moment: Measured,
    heights: ArrayLike,
    force: ArrayLike,
    *,
    contact: Measured,
    soft: bool = True,
    u_force: ArrayLike | None = None,
) -> Source:
    """The attraction ``force`` (n,) in N on a standard ``sample`` of known ``moment`` (A·m²).

    ``soft``: the standard (a nickel sphere) has its moment only where the field saturates it; gaps with
    less than 1.5 times its demagnetising field are set aside. A permanent-magnet standard is not ``soft``.
    """
    h = np.asarray(heights, float)
    rule = choose_order(magnet, sample, max(float(np.nanmin(h)) + contact.value / 2, 0.0))

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return -nuisance[0] * mean_gradient(body, gap, rule)

    used, warnings = None, ()
    if soft:
        needed = demagnetising_factor(sample).axial * moment.value / volume(sample) * SATURATION_MARGIN
        applied = np.abs(mean_field(magnet, sample, h + contact.value, rule=rule)[0]) / MU0
        used = applied >= needed
        if not used.all():
            warnings = (
                f"{int((~used).sum())} readings are set aside: the standard is surely saturated only where "
                f"the applied field exceeds {needed / 1e3:.3g} kA/m",
            )
    return Source(
        "standard sample of known moment",
        model,
        h,
        np.asarray(force, float),
        _numbers(u_force),
        {"moment": moment},
        used,
        warnings,
    )


def pair(
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    force: ArrayLike,
    *,
    contact: Measured,
    u_force: ArrayLike | None = None,
) -> Source:
    """The attraction ``force`` (n,) in N between two magnets of the reference magnet's kind.

    They face each other unlike poles, coaxial, the second in the sample's place; both are taken to have the
    same remanence, and the result is their (geometric) mean. Raises NotPossible for a block.
    """
    if magnet.shape == "block":
        raise NotPossible("a pair of blocks is not calibrated here: use a probe or a standard sample")
    h = np.asarray(heights, float)
    closest = max(float(np.nanmin(h)) + contact.value / 2, 0.0)

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return force_between(body, body, gap, closest=closest, tolerance=1e-8, stated=magnet)

    return Source("pair of like magnets", model, h, np.asarray(force, float), _numbers(u_force))


def alone(
    source: Source,
    magnet: ReferenceMagnet,
    *,
    contact: Measured,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
    scale: Measured = Measured(1.0),
) -> Calibration:
    """Fit to one source, with nothing assumed of remanence and contact gap but what is held."""
    return Problem([source], magnet, contact, temperature, hold, scale).solve()


def together(
    sources: Sequence[Source],
    magnet: ReferenceMagnet,
    *,
    contact: Measured,
    temperature: float = REMANENCE_TEMPERATURE,
    scale: Measured = Measured(1.0),
) -> Calibration:
    """One fit of everything, with what the bench file states of remanence and contact gap as readings of
    themselves (its data sheet). Raises NotPossible where the model of the bench does not hold."""
    return Problem(sources, magnet, contact, temperature, None, scale, stated=True).solve()


def gauge_block(scale: Measured, thickness: Measured, reported: Measured) -> Measured:
    """The heights' scale, as stated and as a gauge block between two heights has it, taken together.

    ``thickness`` (m) is the block's, ``reported`` (m) the difference of the two heights. Raises NotPossible
    where the two disagree by more than three standard uncertainties.
    """
    found = thickness.value / reported.value
    u = found * float(np.hypot(thickness.u / thickness.value, reported.u / reported.value))
    if scale.u == 0 or u == 0:
        raise ValueError("the gauge block and the scale need their standard uncertainties")
    apart = (found - scale.value) / float(np.hypot(scale.u, u))
    if abs(apart) > WORST_PULL:
        raise NotPossible(
            f"the gauge block puts the scale of the heights at {found:.4f}, {abs(apart):.1f} standard "
            f"uncertainties from the {scale.value:.4f} stated: measure again, or state a wider uncertainty"
        )
    weights = np.array([scale.u, u]) ** -2.0
    return Measured(float(np.average([scale.value, found], weights=weights)), float(weights.sum() ** -0.5))


def _numbers(u: ArrayLike | None) -> Floats | float | None:
    if u is None:
        return None
    numbers = np.asarray(u, float)
    return numbers if numbers.ndim else float(numbers)
