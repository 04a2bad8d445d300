"""Which way from forces to magnetisation the data support.

Three questions, asked in this order:

1. How does the sample feel its own field? By its own part, unless a fit with all parts feeling the mean is
   clearly better (reduced chi-square).
2. Is M one function of the field on each branch? It is where the whole sample has been past its largest
   field: the branches, as the splines find them, have met before the top.
3. If not, a hysteron density, which follows each part's own history. It must foretell a held-out point no
   worse than the splines do, within what chance allows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .estimates import DENSITY, SPLINE, density_estimate, mean_estimate, spline_estimate
from .figures import judge
from .local_field import LocalField
from .loop import LoopEstimate
from .points import Points

#: A reduced chi-square above this is worth a second look, and one smaller by this factor is clearly better:
#: about three standard deviations for thirty degrees of freedom.
_POOR, _CLEARLY = 2.0, 2.0
#: The density may foretell held-out points worse by this factor: the splines have their freedom by branch.
_NO_WORSE = 3.0


def best_estimate(points: Points, field: LocalField) -> LoopEstimate:
    """The estimate the evidence speaks for, with the evidence in numbers and in a sentence."""
    spline = spline_estimate(points, field)
    if spline is None:
        return mean_estimate(points, field, "too few usable points on a branch to undo the field's spread")
    spline, felt = _own_field(spline, points, field)
    if not len(spline.descending):
        return _with(spline, {"own_field": felt}, "There is no descending branch, only an ascending one.")
    verdict = judge(spline.descending, spline.ascending)
    evidence = {"held_out_branch_spline": spline.evidence["held_out"], "own_field": felt}
    if verdict.saturated:
        return _with(
            spline,
            evidence,
            "The branches meet before the largest field, so M is one function of the field on each.",
        )
    density = density_estimate(points, field, own_field=felt)
    if density is None:
        return _with(
            spline,
            evidence,
            "M is taken as one function of the field on each branch; there are too few points, or one "
            "orientation only, to follow each part's own history.",
        )
    if felt == 1.0 and chi_square(density) > _POOR:
        density, felt = _own_field(density, points, field)
    evidence |= {"held_out_hysteron_density": density.evidence["held_out"], "own_field": felt}
    if density.evidence["held_out"] > _NO_WORSE * max(spline.evidence["held_out"], 1.0):
        return _with(
            spline,
            evidence,
            "The sample may not be saturated, but a hysteron density foretells held-out points "
            f"{density.evidence['held_out'] / spline.evidence['held_out']:.1f} times worse than the splines.",
        )
    return _with(
        density,
        evidence,
        "The sample is not shown to be saturated, so each part's own history is followed.",
    )


def chi_square(estimate: LoopEstimate) -> float:
    """Mean reduced chi-square of the branches the figures come from."""
    names = ("reduced_chi_square_descending", "reduced_chi_square_ascending")
    return float(np.mean([estimate.evidence[name] for name in names if name in estimate.evidence]))


def _own_field(local: LoopEstimate, points: Points, field: LocalField) -> tuple[LoopEstimate, float]:
    """``local``, or the same way with all parts feeling the mean magnetisation where that fits clearly
    better; and the own field by N of the one chosen."""
    if not chi_square(local) > _POOR:
        return local, 1.0
    make = {SPLINE: spline_estimate, DENSITY: density_estimate}[local.method_used]
    mean = make(points, field, own_field=0.0)
    if mean is not None and chi_square(mean) * _CLEARLY < chi_square(local):
        return mean, 0.0
    return local, 1.0


def _with(estimate: LoopEstimate, evidence: dict[str, float], why: str) -> LoopEstimate:
    felt = (
        "Each part feels its own magnetisation."
        if evidence["own_field"] == 1.0
        else "All parts feel the sample's mean magnetisation."
    )
    return replace(estimate, why=f"{why} {felt}", evidence=estimate.evidence | evidence)
