"""A coil of known current in the sample's place: its moment is turns times area times current.

It has no hysteresis, and reversing its current gives the zero and the pull at every gap at once. Force by
current at each gap, from readings with both directions, is what the fit takes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..errors import NotPossible
from ..forces.force import force, force_per_kg
from ..magnetostatics.bench_linearisation import with_value
from ..magnetostatics.current_loop import COPPER_EXPANSION, coil_gradient, turn_area, warming
from ..records.arrays import Floats
from ..records.bench import Bench, Coil, ReferenceMagnet
from ..records.coil_readings import CoilReadings
from ..units import Measured
from .fit import Source
from .settings import TOO_WARM

#: What a calibration by a coil is called.
COIL = "coil of known current"


@dataclass(frozen=True, eq=False)
class Pulls:
    """Reading by current (kg/A) at ``heights`` (n,) in m, with its standard uncertainty; ``ends`` (n,) +1 or
    -1 for the coil's end that is down."""

    heights: Floats
    ends: Floats
    per_ampere: Floats
    u: Floats


def pulls(
    heights: ArrayLike,
    current: ArrayLike,
    reading: ArrayLike,
    *,
    ends: ArrayLike | None = None,
    u: ArrayLike | None = None,
    least_u: float = 0.0,
    time: ArrayLike | None = None,
) -> Pulls:
    """Readings (kg) at currents (A), in the order taken, as reading by current at each stop.

    A stop is the readings one after another at one height. Zero and, from four readings on, a steady drift
    drop out: by ``time`` (s), else as for + - - + in equal times. ``u``: standard uncertainties of the
    readings, widened where they scatter more within the stops (Birge); None: that scatter, at least
    ``least_u`` (kg). Raises NotPossible for a stop without both directions.
    """
    h, i, y = (np.asarray(a, float) for a in (heights, current, reading))
    end = np.ones_like(h) if ends is None else np.asarray(ends, float)
    stops = np.cumsum((np.diff(h, prepend=np.nan) != 0) | (np.diff(end, prepend=np.nan) != 0))
    when = np.arange(len(h), dtype=float) if time is None else np.asarray(time, float)
    own = None if u is None else np.broadcast_to(np.asarray(u, float), h.shape)
    slopes, spreads, left, freedom = [], [], 0.0, 0
    for stop in np.unique(stops):
        at = np.flatnonzero(stops == stop)
        if not (i[at].min() < 0 < i[at].max()):
            raise NotPossible(
                f"row {at[0] + 1}: at {h[at[0]] * 1e3:.2f} mm the coil's current was not reversed; weigh at "
                "every height with both directions, as + - - +"
            )
        columns = [np.ones(len(at)), i[at]] + [_centred(when[at])] * (len(at) > 3)
        weight = np.ones(len(at)) if own is None else 1 / own[at]
        design = np.array(columns).T * weight[:, None]
        inverse = np.linalg.inv(design.T @ design)
        found = inverse @ design.T @ (y[at] * weight)
        off = y[at] * weight - design @ found
        left, freedom = left + float(off @ off), freedom + len(at) - len(columns)
        slopes.append(float(found[1]))
        spreads.append(float(np.sqrt(inverse[1, 1])))
    scatter = max(np.sqrt(left / freedom) if freedom else 0.0, least_u if own is None else 1.0)
    first = np.unique(stops, return_index=True)[1]
    return Pulls(h[first], end[first], np.array(slopes), scatter * np.array(spreads))


def _centred(when: Floats) -> Floats:
    """Times about their mean, of the size of one: the drift is at right angles to the zero."""
    centred = when - when.mean()
    return centred / max(float(np.abs(centred).max()), 1e-300)


def source_of_coil(readings: CoilReadings, bench: Bench) -> Source:
    """Readings of the bench's coil as a source of a calibration. Raises NotPossible where the bench file
    describes no coil, or a current was not reversed."""
    coil = bench.coil
    if coil is None:
        raise NotPossible("the bench file describes no coil: add a table [coil]")
    if readings.seat is not None:
        raise NotPossible(f"{readings.source} moved the coil sideways: calibrate --from axis")
    # Gravity is a part of the force's scale, like the current.
    here, site = force_per_kg(bench.site), bench.site
    gravity = [
        (force_per_kg(with_value(bench, f"site.{key}", value.u).site) / here - 1)
        for key, value in (("latitude", site.latitude), ("altitude", site.altitude))
    ]
    gain = coil.current_gain
    coil = replace(coil, current_gain=Measured(gain.value, float(np.linalg.norm([gain.u, *gravity]))))
    found = pulls(
        readings.height,
        readings.current,
        readings.reading,
        ends=readings.end,
        u=readings.u,
        least_u=bench.balance.resolution / np.sqrt(12),
        time=readings.time,
    )
    known = readings.resistance is not None and coil.resistance is not None
    warmth = warming(coil, readings.resistance) if known and readings.resistance is not None else 0.0
    per_ampere = force(found.per_ampere, bench)
    for end in np.unique(found.ends):
        at = found.ends == end
        if np.median(per_ampere[at]) < 0:
            # Which way the current goes round is the person's to choose; with the other end down it is the
            # other.
            per_ampere[at] *= -1
    return coil_source(
        coil,
        bench.reference_magnet,
        found.heights,
        per_ampere,
        contact=bench.gap.contact,
        offset=bench.sample.offset,
        u=found.u * here,
        ends=found.ends,
        warmth=warmth,
        warnings=readings.remarks,
    )


def coil_source(
    coil: Coil,
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    force_per_ampere: ArrayLike,
    *,
    contact: Measured,
    offset: Measured,
    u: ArrayLike,
    ends: ArrayLike | None = None,
    warmth: float = 0.0,
    warnings: tuple[str, ...] = (),
) -> Source:
    """The attraction by current ``force_per_ampere`` (n,) in N/A on the coil, with uncertainties ``u``.

    ``ends`` (n,), +1 or -1: which of the coil's ends was down. ``offset`` (m) is how far its axis may lie
    from the magnet's, ``warmth`` (K) how far the winding was above 20 degrees Celsius.
    """
    h, per_ampere = np.asarray(heights, float), np.asarray(force_per_ampere, float)
    end = np.ones_like(h) if ends is None else np.asarray(ends, float)
    grown = 1 + 2 * COPPER_EXPANSION * warmth
    rise, tilt = _rise(coil, both=len(np.unique(end)) > 1)
    aside = 0.0
    if offset.u > 0 or offset.value:
        # Second order, and the same for every magnet nearly like this one: by its square.
        far = float(np.hypot(offset.value, offset.u))
        gaps = h + contact.value
        aside = coil_gradient(magnet, coil, gaps, far) / coil_gradient(magnet, coil, gaps) - 1

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        area, gain, up, across, squared = nuisance
        lifted = replace(coil, rise=Measured(0.0))
        gradient = coil_gradient(body, lifted, gap + up + end * across)
        return gain * area * grown * gradient * (1 + squared * aside)

    warm = ()
    if warmth > TOO_WARM:
        warm = (
            f"the coil was {warmth:.0f} K warmer than 20 degrees Celsius: drive it with less current "
            f"(its area was taken {100 * (grown - 1):.2f} % larger)",
        )
    return Source(
        COIL,
        model,
        h,
        per_ampere,
        np.asarray(u, float),
        {
            "turn_area": turn_area(coil),
            "current_gain": coil.current_gain,
            "coil_rise": rise,
            "coil_tilt": tilt,
            # The square of a normal deviate has mean 1 and standard deviation sqrt(2).
            "coil_offset": Measured(1.0, float(np.sqrt(2.0))) if np.ndim(aside) else Measured(0.0),
        },
        warnings=(*warnings, *warm),
        ends=end,
    )


def _rise(coil: Coil, both: bool) -> tuple[Measured, Measured]:
    """Height of the lowest turn over the lower face: the mean of both ends, and half their difference."""
    if not both:
        return coil.rise, Measured(0.0)
    if coil.thickness is None:
        return coil.rise, Measured(0.0, coil.rise.u)
    middle = (coil.thickness.value - coil.height.value) / 2
    return Measured(middle, coil.thickness.u / 2), Measured(coil.rise.value - middle, coil.rise.u)
