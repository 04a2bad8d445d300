"""Which way from forces to magnetisation the data support.

Three questions, asked in this order, each once the bench has been conditioned on the readings
(``joint_fit``), as a bench value wrong within its uncertainty would otherwise decide them:

1. How do the sample's parts feel one another (``demagnetising_field``)? The hypothesis that fits best, its
degrees of
   freedom counted against it; others nearly as good are averaged in by their weight, and their
   difference goes into the uncertainty.
2. Is M one function of the field on each branch? It is where the whole sample has been past its largest
   field: the branches, as the splines find them, have met before the top, and the readings follow them.
3. If not, a hysteron density, which follows each part's own history. It must predict a held-out point no
   worse than the splines do, within what chance allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..magnetostatics.bench_linearisation import LinearisedBench
from ..magnetostatics.demagnetising_field import HYPOTHESES, WORDS
from ..records.arrays import Floats
from .fit_records import JointFit
from .loop import Curve, LoopEstimate, OtherRun
from .methods import DENSITY, SPLINE, WAYS, Way, mean_estimate
from .saturation import judge
from .settings import COARSE_CELLS, FAR, FAR_AT_LEAST, NO_WORSE, STRETCHES, UNLIKELY


def best_estimate(model: LinearisedBench, others: Sequence[OtherRun] = ()) -> LoopEstimate:
    """The estimate the evidence speaks for, with the evidence in numbers and in a sentence."""
    spline = best_hypothesis(WAYS[SPLINE], model, others)
    if spline is None:
        return mean_estimate(model, "too few usable points on a branch to undo the field's spread")
    if not len(spline.descending):
        return _with(spline, "There is no descending branch, only an ascending one.")
    verdict = judge(spline.descending, spline.ascending)
    one_function = _with(
        spline, "The branches meet before the largest field, so M is one function of the field on each."
    )
    if verdict.saturated and not _unfit(spline):
        return one_function
    density = best_hypothesis(WAYS[DENSITY], model, others, enough=_far(spline.evidence["objective"]))
    if verdict.met and not _unfit(spline) and (density is None or not _clearly_better(density, spline)):
        # Parts of the sample are short, but the curve of the others is what the readings follow.
        return one_function
    if density is None:
        return _with(
            spline,
            "M is taken as one function of the field on each branch; there are too few points, or one "
            "orientation only, to follow each part's own history.",
        )
    worse = density.evidence["held_out"] / max(spline.evidence["held_out"], 1.0)
    evidence = {
        "held_out_branch_spline": spline.evidence["held_out"],
        "held_out_hysteron_density": density.evidence["held_out"],
    }
    if verdict.met and _unfit(density):
        return _with(
            spline, "The branches meet before the largest field, so M should be one function of the field."
        )
    unfit = _unfit(density) and not _unfit(spline)
    given_up = not _unfit(spline) and _given_up(density, spline)
    if unfit or given_up or worse > NO_WORSE:
        spline = replace(spline, evidence=spline.evidence | evidence)
        missed = (
            "misses the readings, which the splines do not"
            if unfit
            else "fits only if its parts feel one another as the splines say they do not"
            if given_up
            else (f"predicts held-out points {worse:.1f} times worse than the splines")
        )
        return _with(spline, f"The sample may not be saturated, but a hysteron density {missed}.")
    density = replace(density, evidence=density.evidence | evidence)
    return _with(density, "The sample is not shown to be saturated, so each part's own history is followed.")


def _unfit(estimate: LoopEstimate) -> bool:
    """Whether the readings miss an estimate by more than any model of a sample may be off by."""
    return estimate.evidence["misfit"] > 1.0


def _clearly_better(density: LoopEstimate, spline: LoopEstimate) -> bool:
    """Whether a density both follows the readings and predicts held-out points better than the splines."""
    mine, splines = density.evidence, spline.evidence
    return mine["misfit"] < splines["misfit"] and NO_WORSE * mine["held_out"] < splines["held_out"]


def _given_up(density: LoopEstimate, spline: LoopEstimate) -> bool:
    """Whether the splines give up the hypothesis on the sample's own field that a density goes by."""
    assert density.settled is not None
    objective = spline.evidence[f"objective_{density.settled.demagnetising_field}"]
    return objective > _far(spline.evidence["objective"])


def _far(objective: float) -> float:
    """The objective above which a fit is given up beside one of this."""
    return max(FAR * objective, FAR_AT_LEAST)


def best_hypothesis(
    way: Way, model: LinearisedBench, others: Sequence[OtherRun] = (), enough: float = np.inf
) -> LoopEstimate | None:
    """The best of the hypotheses on the sample's own field, averaged with those nearly as good; ``others``
    are runs of the same sample, which say of them what they can. None for too few rows. ``enough`` as in
    ``JointFitting``."""
    tried: list[JointFit] = []
    near = None
    for hypothesis in HYPOTHESES:
        fit = way.fit(model, hypothesis, near=near, enough=enough)
        if fit is None:
            return None
        tried.append(fit)
        enough = min(enough, _far(fit.objective))
        near = near or fit
    likely_at_all = np.array([fit.objective <= min(_far(f.objective) for f in tried) for fit in tried])
    weights = hypothesis_weights(tried, [_misfit(fit) for fit in tried]) * likely_at_all
    for other in others:
        weights = weights * np.array([other.likelihood[fit.own.name] for fit in tried])
    order = np.argsort(-weights)
    weights, tried = weights[order] / weights[order[0]], [tried[i] for i in order]
    evidence = {f"objective_{f.own.name}": f.objective for f in tried}
    likely = [(w, way.estimate(f), f) for w, f in zip(weights, tried, strict=True) if w > UNLIKELY]
    evidence |= {f"weight_{f.own.name}": float(w / weights.sum()) for w, _, f in likely}
    _, best, fit = likely[0]
    nearly = ["Nearly as likely:", *(WORDS[f.own.name] for _, _, f in likely[1:])] if len(likely) > 1 else []
    why = " ".join([WORDS[fit.own.name], *nearly, *(other.said for other in others)])
    best = replace(best, evidence=best.evidence | evidence, why=why)
    if len(likely) == 1:
        return best
    total = sum(w for w, _, _ in likely)
    shares = [(w / total, e) for w, e, _ in likely]
    M = sum((w * e.M for w, e in shares), np.zeros(len(best.M)))
    up = [(w, e.ascending) for w, e in shares if e.ascending is not None]
    return replace(
        best,
        M=M,
        H_internal=best.H_applied - best.N * M,
        descending=_averaged([(w, e.descending) for w, e in shares]),
        ascending=None if best.ascending is None else _averaged(up),
    )


def _misfit(fit: JointFit) -> float:
    """Squared misfits of the parts that tell, by their readings' and the cells' own errors."""
    told = (p for p in fit.parts.values() if p.constrains_bench)
    return sum(float(np.sum(p.residual**2 / (p.sigma**2 + (COARSE_CELLS * p.force) ** 2))) for p in told)


def hypothesis_weights(fits: Sequence[JointFit], misfits: Sequence[float]) -> Floats:
    """How likely the hypothesis of each fit is, by its misfit (squared, in standard deviations) and before
    it; (fits,), up to a factor.

    No hypothesis is quite true, and by how much it is not is not known: with that size integrated out the
    likelihood goes with a power of the misfit (Jeffreys's prior for a scale; from memory), which is never
    less than chance alone makes it."""
    before = np.array([HYPOTHESES[fit.own.name] for fit in fits])
    return before * hypothesis_likelihoods(fits, misfits)


def hypothesis_likelihoods(fits: Sequence[JointFit], misfits: Sequence[float]) -> Floats:
    """How likely the readings are under the hypothesis of each fit; (fits,), the likeliest 1."""
    left = [max(len(fit.model.points) - fit.degrees, 1.0) for fit in fits]
    chance = -0.5 * STRETCHES * np.log(np.maximum(misfits, left))
    return np.asarray(np.exp(chance - chance.max()), float)


def _averaged(shares: list[tuple[float, Curve]]) -> Curve:
    """The first curve, M averaged over the hypotheses by their shares, and how they differ from that."""
    curve = shares[0][1]
    if len(curve) < 2:
        return curve
    w = np.array([share for share, _ in shares]) / sum(share for share, _ in shares)
    each = np.array(
        [np.interp(curve.H_applied, c.H_applied, c.M) if len(c) > 1 else curve.M for _, c in shares]
    )
    M = w @ each
    return replace(curve, M=M, undecided=np.sqrt(w) * (each - M).T)


def _with(estimate: LoopEstimate, why: str) -> LoopEstimate:
    return replace(estimate, why=f"{why} {estimate.why}")
