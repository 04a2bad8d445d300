"""One sample weighed on several benches: each bench's bias and scores, in the terms of ISO 13528."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .records.arrays import Floats

#: Huber's width in Algorithm A; the factor that undoes what it takes from a normal spread (ISO 13528, C.3).
_WIDTH, _NORMAL = 1.5, 1.134
#: Scores from which a result wants a warning, and from which action (ISO 13528, 9.4).
WARNING, ACTION = 2.0, 3.0
#: Where the assigned value is known no better than this part of the spread for scores, z' takes its place
#: (ISO 13528, 9.2.1).
_NEGLIGIBLE = 0.3


@dataclass(frozen=True)
class AssignedValue:
    """What a figure is taken to be; ``u``: its standard uncertainty; ``spread``: robust, of benches."""

    value: float
    u: float
    spread: float
    consensus: bool


@dataclass(frozen=True)
class BenchScore:
    """One bench's result against the assigned value.

    ``bias`` and its standard uncertainty ``u_bias`` are in the figure's unit; ``z`` (z' where the assigned
    value is uncertain) is in units of the spread for scores, ``zeta`` in units of ``u_bias``: it takes both
    for independent. ``verdict`` is zeta's.
    """

    bench: str
    value: float
    u: float
    bias: float
    u_bias: float
    z: float
    zeta: float
    verdict: Literal["acceptable", "warning", "action"]


def robust_mean(values: Sequence[float] | Floats) -> tuple[float, float]:
    """Robust average and robust standard deviation of ``values`` (n,), n at least 2, by Algorithm A.

    ISO 13528:2015, C.3.1, which is Huber's second proposal with a width of 1.5. Raises ValueError for fewer.
    """
    x = np.asarray(values, float)
    if x.size < 2:
        raise ValueError("a robust average needs two values or more")
    middle = float(np.median(x))
    spread = 1.483 * float(np.median(np.abs(x - middle)))
    if spread == 0.0:  # half of them alike: the standard's way out, the plain deviation
        spread = float(x.std(ddof=1))
    for _ in range(1000):
        if spread == 0.0:
            break
        kept = np.clip(x, middle - _WIDTH * spread, middle + _WIDTH * spread)
        before = middle, spread
        middle, spread = float(kept.mean()), _NORMAL * float(kept.std(ddof=1))
        if max(abs(middle - before[0]), abs(spread - before[1])) <= 1e-12 * max(abs(middle), spread):
            break
    return middle, spread


def assigned_by_consensus(values: Sequence[float] | Floats) -> AssignedValue:
    """The benches' own consensus: robust average, u = 1.25 s* / sqrt(p) (ISO 13528, 7.7.3)."""
    middle, spread = robust_mean(values)
    return AssignedValue(middle, 1.25 * spread / np.sqrt(len(values)), spread, True)


def scores(
    results: Sequence[tuple[str, float, float]],
    assigned: AssignedValue | None = None,
    spread_for_scores: float | None = None,
) -> tuple[AssignedValue, list[BenchScore]]:
    """Scores of ``results``: bench, value and standard uncertainty of each, in one unit.

    ``assigned``: the value from elsewhere (a certificate); None: the benches' consensus.
    ``spread_for_scores``: the standard deviation that is fit for purpose; None: the robust spread between the
    benches. Raises ValueError for fewer than two benches.
    """
    found = assigned or assigned_by_consensus([value for _, value, _ in results])
    spread = spread_for_scores or found.spread or robust_mean([value for _, value, _ in results])[1]
    if found.u > _NEGLIGIBLE * spread:
        spread = float(np.hypot(spread, found.u))
    scored = []
    for bench, value, u in results:
        bias, u_bias = value - found.value, float(np.hypot(u, found.u))
        zeta = bias / u_bias if u_bias else float(np.copysign(np.inf, bias)) if bias else 0.0
        scored.append(
            BenchScore(bench, value, u, bias, u_bias, bias / spread if spread else 0.0, zeta, _verdict(zeta))
        )
    return found, scored


def _verdict(score: float) -> Literal["acceptable", "warning", "action"]:
    if abs(score) <= WARNING:
        return "acceptable"
    return "warning" if abs(score) < ACTION else "action"
