"""The figures of a loop, and what each may claim.

Definitions as IEC 60404 uses them: J = μ0 M, H internal = H applied - N M, B = μ0 (H internal + M).

- remanence: M at internal field zero on the branch coming from the largest field;
- HcJ, HcB: the reverse internal field where M, or B, is zero; positive numbers;
- (BH)max: the largest -B H of the second quadrant;
- knee field Hk: the reverse internal field where M has fallen to 0.9 of the remanence;
- squareness: remanence by saturation; knee squareness: Hk / HcJ;
- recoil permeability: mean slope of B(H)/μ0 over the first quarter of HcJ below internal field zero;
  taken on the branch itself it is the recoil line's where nothing turns over there, else above it;
- switching field width: the internal fields of +Mr/2 and -Mr/2 on the descending branch apart, by HcJ:
  the range in which the middle half of the sample turns over;
- loop energy: μ0 times the closed integral of H dM, the loss of one cycle;
- saturation: by the law of approach M = Ms (1 - b/H^2) above two thirds of the largest internal field.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from ..inversion.loop import Curve, LoopEstimate
from ..inversion.saturation import NEARLY_TOLD, READ_INSIDE, READ_OFF_A_MINOR_LOOP, Verdict, judge
from ..magnetostatics.quadrature import volume
from ..records.bench import Bench
from .extract import NAMES, read_figures
from .model_error import loses_when_taken_off
from .settings import HOLE, LOST

Status = Literal["measured", "bound", "not determined"]


@dataclass(frozen=True)
class Figure:
    """One figure: its value in the unit its name ends in (None if not determined), status and reason.

    ``bound``: the true value is at least as large.
    """

    value: float | None
    status: Status
    why: str | None = None


def figures(estimate: LoopEstimate, bench: Bench) -> dict[str, Figure]:
    """Every figure of the loop with what it may claim, by the keys of the public JSON."""
    curve, other = estimate.descending, estimate.ascending
    if not len(curve):
        nothing = Figure(None, "not determined", "There is no usable point on the descending branch.")
        found: dict[str, Figure] = {name: nothing for name in NAMES}  # noqa: C420
        at = estimate.H_internal[estimate.points.used]
        if at.size and np.isfinite(at).any():
            found["largest_field_A_per_m"] = Figure(float(np.nanmax(np.abs(at))), "measured")
        return found | _of_the_body(found, bench)
    verdict = judge(curve, other, estimate.evidence.get("misfit", 0.0))
    if estimate.points.taken_off:
        # Branches of recoil lines tell nothing of the loop's width; how far the parts came does.
        verdict = replace(verdict, apart=verdict.apart if verdict.met else 0.0, met=False)
    raw = read_figures(
        curve.H_applied,
        curve.M,
        curve.N,
        None if other is None else other.H_applied,
        None if other is None else other.M,
        law_of_approach=verdict.law_of_approach,
    )
    found = {name: claim(name, float(value[0]), verdict) for name, value in raw.items()}
    found |= _taken_off(found, estimate)
    found |= _across_holes(found, estimate)
    return found | _of_the_body(found, bench)


#: At which internal field a figure is read off, by its own value.
_READ_AT = {
    "remanence_A_per_m": 0.0,
    "recoil_permeability": 0.0,
    "coercivity_HcJ_A_per_m": 1.0,
    "coercivity_HcB_A_per_m": 1.0,
    "knee_field_Hk_A_per_m": 1.0,
}


def _across_holes(found: dict[str, Figure], estimate: LoopEstimate) -> dict[str, Figure]:
    """Figures that are read off where rows set aside have left a hole in the descending branch."""
    points, curve = estimate.points, estimate.descending
    on = np.flatnonzero((np.array(points.branch) == "descending") & np.isfinite(estimate.H_applied))
    used = points.used[on]
    if used.all() or used.sum() < 2 or not np.all(np.diff(curve.H_internal) > 0):
        return {}
    order = np.argsort(estimate.H_applied[on])
    at, rows = estimate.H_applied[on][order], points.row[on][order]
    holes = [(a, b) for a, b in pairwise(np.flatnonzero(used[order]).tolist()) if b - a > HOLE]
    read_at = {
        name: float(np.interp(-sign * value, curve.H_internal, curve.H_applied))
        for name, sign in _READ_AT.items()
        if name in found and (value := found[name].value) is not None
    }
    ends = [read_at.get(name) for name in ("coercivity_HcB_A_per_m", "remanence_A_per_m")]
    if ends[0] is not None and ends[1] is not None:
        # Somewhere in the middle of the second quadrant.
        read_at["BHmax_J_per_m3"] = 0.5 * (ends[0] + ends[1])
    return {
        name: Figure(
            None,
            "not determined",
            f"It is read off where rows {rows[a + 1 : b].min()} to {rows[a + 1 : b].max()}, set aside, "
            "have left a hole.",
        )
        for name, where in read_at.items()
        for a, b in holes
        if at[a] < where < at[b] and found[name].status == "measured"
    }


def _taken_off(found: dict[str, Figure], estimate: LoopEstimate) -> dict[str, Figure]:
    """What may be claimed of a sample that was taken off the magnet before each reading, where it stands in
    its own field alone: on the way it was at an internal field of -N M, and what is above that is a recoil
    line's and lies inside its loop. What is below is the branch's own where minor loops close."""
    points = estimate.points
    HcJ, Mr = (found[name].value for name in ("coercivity_HcJ_A_per_m", "remanence_A_per_m"))
    if HcJ is None or Mr is None or not points.taken_off:
        return {}
    times = estimate.N * Mr / HcJ
    if not loses_when_taken_off(estimate.descending, times):
        return {}
    why = (
        "Taken off for every change of spacers, the sample stands in its own demagnetising field, "
        f"{times:.1f} times HcJ, and loses magnetisation: what is read above that field is a "
        "recoil line's. A lift would tell."
    )
    closes = _may_close(estimate.descending, times)
    return {
        name: Figure(found[name].value, "bound", why)
        if name in READ_OFF_A_MINOR_LOOP
        else Figure(None, "not determined", why)
        for name in READ_INSIDE | READ_OFF_A_MINOR_LOOP
        if name in found and found[name].status == "measured"
        if not (closes and name == "coercivity_HcJ_A_per_m")
    }


def _may_close(curve: Curve, times: float) -> bool:
    """Whether minor loops may close in a sample whose own field, taken off, was ``times`` HcJ.

    There its branch meets the line M = -H/N. A branch that lies above the straight line from its largest M at
    no field to -HcJ meets it at y / (1 + y) of HcJ or beyond, y = N M / HcJ; one that is found nearer to no
    field has lost more each time.
    """
    HcJ = float(-np.interp(0.0, curve.M, curve.H_internal))
    y = curve.N * float(curve.M.max()) / HcJ
    return y / (1.0 + y) <= times <= LOST


def claim(name: str, value: float, verdict: Verdict) -> Figure:
    """What a figure's value may claim. A minor loop lies inside the major one, so what its size decides
    (remanence, coercivities, (BH)max, loss) is a lower bound; ratios and widths are not even that."""
    nothing = "not determined"
    if name == "largest_field_A_per_m":
        return Figure(value, "measured") if np.isfinite(value) else Figure(None, nothing, "No usable point.")
    if name == "coercivity_HcJ_A_per_m" and not verdict.sign_change:
        if verdict.reverse_field > 0.0:
            return Figure(
                verdict.reverse_field,
                "bound",
                f"M did not change sign up to the largest reverse internal field, "
                f"{verdict.reverse_field / 1e3:.0f} kA/m: HcJ is larger.",
            )
        return Figure(None, nothing, "No reverse internal field was reached.")
    if name in verdict.withheld:
        return Figure(None, nothing, verdict.withheld[name])
    if not np.isfinite(value):
        return Figure(
            None, nothing, _MISSING.get(name, "The branch does not reach where this figure is read.")
        )
    if name == "BHmax_J_per_m3" and not verdict.second_quadrant:
        return Figure(value, "bound", "The branch ends inside the second quadrant, before B = 0.")
    if name == "saturation_A_per_m" and not verdict.law_of_approach:
        why = verdict.why_not or "M at the top does not follow the law of approach to saturation."
        return Figure(value, "bound", why + " The value is the largest M reached.")
    if verdict.saturated:
        if name == "squareness" and not verdict.law_of_approach:
            # M may go on rising for long, as grains lean into the field: by a twentieth in textured ferrite.
            return Figure(
                None,
                nothing,
                "M at the top does not follow the law of approach to saturation, so that Ms is only known to "
                f"be larger than M there. Mr by the largest M is {value:.3f}; Mr/Ms is at most that.",
            )
        return Figure(value, "measured")
    if verdict.nearly and ((verdict.met and name != "squareness") or name in NEARLY_TOLD):
        either_way = " or smaller" if name not in READ_OFF_A_MINOR_LOOP else ""
        return Figure(value, "measured", f"{verdict.why_not} By that much it may be larger{either_way}.")
    if name in READ_OFF_A_MINOR_LOOP:
        return Figure(value, "bound", verdict.why_not)
    return Figure(
        None, nothing, f"{verdict.why_not} A minor loop's may be larger or smaller than the true one."
    )


_MISSING = {
    "remanence_A_per_m": "The descending branch does not pass through internal field zero.",
    "coercivity_HcB_A_per_m": "The descending branch ends before B = 0.",
    "BHmax_J_per_m3": "The second quadrant was not reached.",
    "loop_energy_J_per_m3": "Needs both branches over the same range of field.",
}


def _of_the_body(found: dict[str, Figure], bench: Bench) -> dict[str, Figure]:
    """Density and the magnetisations by mass, when the mass is given."""
    mass = bench.sample.mass
    if mass is None:
        return {}
    density = mass.value / volume(bench.sample)
    by_mass = {"density_kg_per_m3": Figure(density, "measured")}
    for name in ("saturation", "remanence"):
        figure = found[f"{name}_A_per_m"]
        value = None if figure.value is None else figure.value / density
        by_mass[f"specific_{name}_A_m2_per_kg"] = Figure(value, figure.status, figure.why)
    return by_mass
