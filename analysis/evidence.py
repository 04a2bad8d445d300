"""Which way from forces to magnetisation the data support.

Three questions, asked in this order, each once the bench has been conditioned on the readings
(``joint_fit``), as a bench value wrong within its uncertainty would otherwise decide them:

1. How do the sample's parts feel one another (``own_field``)? The hypothesis that fits best, its degrees of
   freedom counted against it; others nearly as good are averaged in by their weight, and their
   difference goes into the uncertainty.
2. Is M one function of the field on each branch? It is where the whole sample has been past its largest
   field: the branches, as the splines find them, have met before the top.
3. If not, a hysteron density, which follows each part's own history. It must foretell a held-out point no
   worse than the splines do, within what chance allows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from .bench_model import BenchModel
from .estimates import density_estimate, mean_estimate, spline_estimate
from .figures import judge
from .joint_fit import JointFit
from .loop import Curve, LoopEstimate
from .own_field import HYPOTHESES, WORDS

#: The density may foretell held-out points worse by this factor: the splines have their freedom by branch.
_NO_WORSE = 3.0
#: A hypothesis is given up where its objective is this many times the best one's, and more than so much.
_FAR, _AT_LEAST = 4.0, 200.0
#: Objectives of smoothed and bounded fits scatter more than a chi-square does: in trials of ours a wrong
#: hypothesis came out ahead by up to 10.
_SOFT = 10.0
#: Hypotheses whose weight beside the best one's is less than this are not thought of.
_UNLIKELY = 0.05

Way = Callable[..., tuple[LoopEstimate, JointFit] | None]


def best_estimate(model: BenchModel) -> LoopEstimate:
    """The estimate the evidence speaks for, with the evidence in numbers and in a sentence."""
    spline = best_hypothesis(spline_estimate, model)
    if spline is None:
        return mean_estimate(model, "too few usable points on a branch to undo the field's spread")
    if not len(spline.descending):
        return _with(spline, "There is no descending branch, only an ascending one.")
    verdict = judge(spline.descending, spline.ascending)
    if verdict.saturated:
        return _with(
            spline, "The branches meet before the largest field, so M is one function of the field on each."
        )
    density = best_hypothesis(density_estimate, model)
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
    if worse > _NO_WORSE:
        spline = replace(spline, evidence=spline.evidence | evidence)
        return _with(
            spline,
            "The sample may not be saturated, but a hysteron density foretells held-out points "
            f"{worse:.1f} times worse than the splines.",
        )
    density = replace(density, evidence=density.evidence | evidence)
    return _with(density, "The sample is not shown to be saturated, so each part's own history is followed.")


def best_hypothesis(way: Way, model: BenchModel) -> LoopEstimate | None:
    """The best of the hypotheses on the sample's own field, averaged with those nearly as good."""
    tried: list[tuple[float, LoopEstimate, JointFit]] = []
    enough, near = np.inf, None
    for hypothesis in HYPOTHESES:
        found = way(model, hypothesis, near=near, enough=enough)
        if found is None:
            return None
        estimate, fit = found
        tried.append((fit.objective + 2.0 * fit.degrees, estimate, fit))
        enough = min(enough, max(_FAR * fit.objective, _AT_LEAST))
        near = near or fit
    # The readings may be worse than they claim: then differences count less.
    least, scale = min((criterion, fit.scale) for criterion, _, fit in tried)
    weights = np.array(
        [
            HYPOTHESES[fit.own.name] * np.exp(0.5 * (least - criterion) / (_SOFT * scale**2))
            for criterion, _, fit in tried
        ]
    )
    order = np.argsort(-weights)
    weights, tried = weights[order] / weights[order[0]], [tried[i] for i in order]
    _, best, fit = tried[0]
    evidence = {f"objective_{f.own.name}": f.objective for _, _, f in tried}
    likely = [(w, e, f) for w, (_, e, f) in zip(weights, tried, strict=True) if w > _UNLIKELY]
    evidence |= {f"weight_{f.own.name}": float(w / weights.sum()) for w, _, f in likely}
    best = replace(best, evidence=best.evidence | evidence, why=WORDS[fit.own.name])
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
        why=f"{best.why} Nearly as likely: {' '.join(WORDS[f.own.name] for _, _, f in likely[1:])}",
    )


def _averaged(shares: list[tuple[float, Curve]]) -> Curve:
    """The first curve, M averaged over the hypotheses by their shares, with their spread in ``u_model``."""
    curve = shares[0][1]
    if len(curve) < 2:
        return curve
    kept = [(w, c) for w, c in shares if len(c) > 1]
    w = np.array([share for share, _ in kept])
    each = np.array([np.interp(curve.H_applied, c.H_applied, c.M) for _, c in kept])
    M = w @ each / w.sum()
    spread = w @ (each - M) ** 2 / w.sum()
    return replace(curve, M=M, u_model=np.sqrt(curve.u_model**2 + spread))


def _with(estimate: LoopEstimate, why: str) -> LoopEstimate:
    return replace(estimate, why=f"{why} {estimate.why}")
