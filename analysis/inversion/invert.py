"""From forces to magnetisation: the entry to both methods."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ..magnetostatics.bench_linearisation import bench_model
from ..records.bench import Bench
from ..records.points import Points
from .loop import FixedChoices, LoopEstimate, OtherRun
from .methods import DENSITY, MEAN, SPLINE, WAYS, mean_estimate
from .model_selection import best_estimate, best_hypothesis

Method = Literal["finite", "mean"]


def invert(
    points: Points,
    bench: Bench,
    method: Method = "finite",
    *,
    forced: str | None = None,
    settled: FixedChoices | None = None,
    others: Sequence[OtherRun] = (),
) -> LoopEstimate:
    """Magnetisation at every point and along both branches.

    ``mean``: M = F / (V <dBz/dz>), averages over the sample's volume. ``finite``: the field's spread over
    the sample is undone, by the branch spline or by the hysteron density, as the evidence decides
    (``evidence``). ``forced`` names the way ("mean", "branch spline", "hysteron density") instead;
    ``settled`` takes over all choices of an earlier estimate, for quick repetition with slightly changed
    forces or bench values. ``others`` are runs of the same sample, which have a say in how its
    parts feel one another. Raises ValueError for an unknown name. What a way cannot do with the rows there
    are, the plain mean does; see ``method_used`` and ``why`` of the result.
    """
    if method not in ("finite", "mean"):
        raise ValueError(f"method {method!r} is not known; use finite or mean")
    if forced not in (None, MEAN, SPLINE, DENSITY):
        raise ValueError(f"{forced!r} is not known; use {MEAN}, {SPLINE} or {DENSITY}")
    model = bench_model(points, bench)
    way = MEAN if method == "mean" else forced if settled is None else settled.method
    if way == MEAN:
        return mean_estimate(model, "asked for")
    if way is None:
        return best_estimate(model, others)
    if settled is not None:
        fit = WAYS[way].fit(model, settled=settled)
        estimate = None if fit is None else WAYS[way].estimate(fit)
    else:
        estimate = best_hypothesis(WAYS[way], model, others)
    return mean_estimate(model, f"too few usable points for a {way}") if estimate is None else estimate
