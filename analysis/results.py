"""One run, wholly analysed: from readings to figures, and the JSON every face shows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, cast

import numpy as np

from .errors import Finding
from .figures.definitions import Figure
from .figures.definitions import figures as figures_of
from .figures.independent_inputs import gap_setting
from .figures.names import FIGURE_NAMES
from .figures.uncertainty import BudgetLine, FigureResult, evaluate
from .forces.branches import Arrangement
from .inversion.fit_outliers import off_the_fit, set_aside_by_fit
from .inversion.invert import Method, invert
from .inversion.loop import FixedChoices, LoopEstimate, OtherRun
from .inversion.saturation import judge
from .magnetostatics.bench_linearisation import FoundInput, found_inputs, measured_inputs
from .magnetostatics.demagnetising_factor import demagnetising_factor
from .outliers.screen import find_outliers
from .records.arrays import Floats
from .records.bench import Bench
from .records.points import Points
from .records.readings import Readings
from .threads import on_one_thread

SCHEMA = 1

#: What an analysis does, one after the other, in words for who waits for it.
STAGES = ("screening the readings", "force to magnetisation", "uncertainty of the figures")


@dataclass(frozen=True, eq=False)
class LoopResult:
    """A run with everything found out about it; SI.

    ``u_M`` (n,) goes with ``points``; ``bands`` holds, by branch, low and high of the 95 % band on the
    estimate's curves; ``samples`` the Monte Carlo trials of each figure.
    """

    readings: Readings
    bench: Bench
    points: Points
    estimate: LoopEstimate
    figures: dict[str, FigureResult]
    budget: dict[str, tuple[BudgetLine, ...]]
    warnings: tuple[Finding, ...]
    u_M: Floats
    bands: dict[str, tuple[Floats, Floats]]
    samples: dict[str, Floats]
    method: Method
    trials: int
    seed: int
    #: Every shared input: what tells it from another run's, and its words (see ``compare``).
    shared: dict[str, str] = field(default_factory=dict)
    #: Other runs of the sample that were counted.
    others: tuple[OtherRun, ...] = ()

    @property
    def used(self) -> int:
        """How many readings it rests on."""
        return int(self.points.used.sum())

    @property
    def found_inputs(self) -> tuple[FoundInput, ...]:
        """The bench's inputs as stated and as the readings leave them."""
        by_force, by_prior = self.estimate.z_sensitivity
        by_gaps = gap_setting(self.estimate).variance(np.where(self.points.used, by_force, 0.0))
        return found_inputs(self.estimate.bench, by_force, by_prior, by_gaps)

    def to_json(self) -> dict[str, Any]:
        """The public JSON: plain types only, null where there is no number."""
        p, e, factor = self.points, self.estimate, demagnetising_factor(self.bench.sample)
        rows = [
            {
                "row": int(p.row[i]),
                "gap_m": _number(p.gap[i]),
                "orientation": int(p.orientation[i]),
                "force_N": _number(p.force[i]),
                "H_applied_A_per_m": _number(e.H_applied[i]),
                "H_internal_A_per_m": _number(e.H_internal[i]),
                "M_A_per_m": _number(e.M[i]),
                "u_M_A_per_m": _number(self.u_M[i]),
                "branch": p.branch[i],
                "used": bool(p.used[i]),
                "why_not": p.why_not[i],
            }
            for i in range(len(p))
        ]
        others = {"with": [asdict(other) for other in self.others]} if self.others else {}
        return others | {
            "schema": SCHEMA,
            "sample": self.bench.sample.name,
            "method": {
                "asked": self.method,
                "used": e.method_used,
                "why": e.why,
                "evidence": {k: _number(v) for k, v in e.evidence.items()},
            },
            "monte_carlo": {
                "trials": self.trials,
                "seed": self.seed,
                "interval": "95 %, probabilistically symmetric",
            },
            "demagnetising_factor": {"axial": factor.axial, "method": factor.method},
            "readings": self.readings.records(),
            "points": rows,
            "figures": {name: self._figure(name) for name in FIGURE_NAMES if name in self.figures},
            "budget": {
                name: [{"input": b.input, "share": b.share, "u": b.u} for b in lines]
                for name, lines in self.budget.items()
            },
            "bench_conditioned": [
                {
                    "input": f.key,
                    "stated": f.stated,
                    "u_stated": f.u_stated,
                    "found": f.found,
                    "u_found": f.u_found,
                    "shift_in_u": f.shift,
                }
                for f in self.found_inputs
            ],
            "warnings": [{"code": w.code, "text": w.text, "rows": list(w.rows)} for w in self.warnings],
        }

    def _figure(self, name: str) -> dict[str, Any]:
        f = self.figures[name]
        return {
            "value": _number(f.value),
            "u": _number(f.u),
            "low95": _number(f.low95),
            "high95": _number(f.high95),
            "status": f.status,
            "why": f.why,
            "u_law_of_propagation": _number(f.u_linear),
            "law_of_propagation_holds": f.linear_holds,
        }


@on_one_thread
def analyse(
    readings: Readings,
    bench: Bench,
    *,
    method: str = "finite",
    trials: int = 10_000,
    seed: int = 1,
    progress: Callable[[str], None] = lambda stage: None,
    settled: FixedChoices | None = None,
    others: Sequence[OtherRun] = (),
) -> LoopResult:
    """Analyse one run: slips, forces to magnetisation (``finite`` or ``mean``), figures, uncertainty.

    ``trials`` is the most Monte Carlo trials; fewer are made where the results stand still before.
    ``settled`` takes over the choices of another run's estimate; ``others`` are runs of the same sample
    that have a say in how its parts feel one another (``programmes.other_runs``).
    ``progress`` hears of each of ``STAGES`` as it begins.
    Raises ValueError for a method or a number of trials that there is not.
    """
    if method not in ("finite", "mean"):
        raise ValueError(f"method {method!r} is not known; use finite or mean")
    if trials < 2:
        raise ValueError(f"{trials} trials are too few; use 2 or more, 10000 for figures to be shown")
    how = cast(Method, method)
    progress(STAGES[0])
    arranged = find_outliers(readings, bench)
    progress(STAGES[1])
    arranged, estimate = _without_outliers(arranged, bench, how, settled, others)
    claims = figures_of(estimate, bench)
    progress(STAGES[2])
    known = evaluate(readings, arranged.zeros, estimate, claims, bench, trials=trials, seed=seed)
    warnings = (
        *arranged.warnings,
        *_not_saturated(estimate),
        *_inconsistent(estimate),
        *_assumed(bench),
        *_taken_off(claims, estimate, bench),
    )
    return LoopResult(
        readings,
        bench,
        estimate.points,
        estimate,
        known.figures,
        known.budget,
        warnings,
        known.u_M,
        known.bands,
        known.samples,
        how,
        known.trials,
        seed,
        known.shared,
        tuple(others),
    )


#: Rows the fit may set aside in one run; with more it is the method, not the rows, that does not fit.
_MOST_BY_FIT = 3


def _without_outliers(
    arranged: Arrangement,
    bench: Bench,
    method: Method,
    settled: FixedChoices | None,
    others: Sequence[OtherRun],
) -> tuple[Arrangement, LoopEstimate]:
    """The inversion, repeated without a row whose residual stands out alone."""
    estimate = invert(arranged.points, bench, method, settled=settled, others=others)
    for _ in range(_MOST_BY_FIT):
        worst = off_the_fit(estimate)
        if worst is None:
            break
        arranged = set_aside_by_fit(arranged, estimate, worst)
        estimate = invert(arranged.points, bench, method, settled=settled, others=others)
    return arranged, estimate


def _not_saturated(estimate: LoopEstimate) -> list[Finding]:
    """In words, when the largest field was not enough."""
    if not len(estimate.descending):
        return []
    verdict = judge(estimate.descending, estimate.ascending)
    if verdict.saturated or not verdict.why_not:
        return []
    return [Finding("not-saturated", verdict.why_not)]


#: An input this many standard uncertainties from what is stated is worth a look.
_INCONSISTENT = 3.0


def _inconsistent(estimate: LoopEstimate) -> list[Finding]:
    """Inputs of the bench that the readings contradict."""
    return [
        Finding(
            "bench-inconsistent",
            f"{f.key}: with the {f.words} as stated no loop fits the readings; they put it {f.shift:+.1f} "
            f"standard uncertainties from there ({f.found:.5g} in place of {f.stated:.5g}, SI units). "
            "Measure it again, or state a wider uncertainty.",
        )
        for f in found_inputs(estimate.bench, *estimate.z_sensitivity)
        if abs(f.shift) > _INCONSISTENT
    ]


def _assumed(bench: Bench) -> list[Finding]:
    """Inputs of the bench file without an uncertainty, which is then the usual one of their kind."""
    keys = [key for key, value in measured_inputs(bench) if value.assumed]
    if not keys:
        return []
    return [
        Finding(
            "uncertainty-assumed",
            f"No uncertainty (+/-) is stated of {', '.join(keys)}: the usual one of its kind is assumed, and "
            "stands in the budget. State it, or write +/- 0 where it is exact.",
        )
    ]


def _taken_off(claims: dict[str, Figure], estimate: LoopEstimate, bench: Bench) -> list[Finding]:
    """A sample that its own field demagnetises loses magnetisation whenever it is taken off the magnet,
    as it is for every change of spacers."""
    HcJ, Mr = (claims[name].value for name in ("coercivity_HcJ_A_per_m", "remanence_A_per_m"))
    if bench.gap.ladder != "spacers" or HcJ is None or Mr is None or HcJ >= estimate.N * Mr:
        return []
    return [
        Finding(
            "taken-off-demagnetises",
            f"The coercivity HcJ, {HcJ / 1e3:.3g} kA/m, is below the sample's own demagnetising field N Mr, "
            f"{estimate.N * Mr / 1e3:.3g} kA/m: taken away from the magnet for a change of spacers the "
            "sample loses magnetisation, and the loop is not the one it would be on a lift.",
        )
    ]


def _number(value: float | None) -> float | None:
    """A JSON number: null for None, NaN and infinity."""
    return None if value is None or not np.isfinite(value) else float(value)
