"""One run of another programme than the loop, wholly analysed: what every face shows of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from ..errors import Fault, Finding, InputError, nearest
from ..figures.definitions import claim
from ..figures.uncertainty import FigureResult
from ..inversion.saturation import Verdict, judge
from ..records.bench import Bench
from ..records.readings import Readings
from ..threads import on_one_thread
from .curves import RESULTS, Estimated, RecoilResult, RemanenceResult, ReversalResult, plain
from .decay import DecayResult, decay
from .history_fit import HistoryFit, fit_history
from .settings import LEAST_KNOWN, LOSS, MISFIT
from .turns import missed_turns

_KNOWN = "Over the part of the distribution that is known."

#: Recoil before flux is lost is reversible, and what is symmetric stays so however far the field goes.
_OF_ANY_LOOP = {"recoil_permeability", "interaction_field_A_per_m"}

Found = RecoilResult | RemanenceResult | ReversalResult | DecayResult
#: What a run that is no loop can be read off for.
GIVES = (*RESULTS, "decay")


@dataclass(frozen=True, eq=False)
class ProgrammeResult:
    """What a run ``gives`` (of ``GIVES``): ``found``, by the fitted ``history`` where it takes one."""

    readings: Readings
    bench: Bench
    gives: str
    found: Found
    history: HistoryFit | None
    draws: int
    seed: int
    turns: tuple[Finding, ...] = ()  # those that were missed

    @property
    def used(self) -> int:
        """How many readings it rests on."""
        if self.history is not None:
            return int(self.history.points.used.sum())
        return len(self.found.t) if isinstance(self.found, DecayResult) else 0

    @cached_property
    def figures(self) -> dict[str, FigureResult]:
        """Its main numbers, by the keys of ``names.NAMES``; a bound has but one end of its interval.

        Where a turn-over was missed, or the readings fit nothing, none is determined. Where the largest field
        does not saturate the sample they are a minor loop's, and may claim what a loop's figures may.
        """
        found = _main_numbers(self.found)
        if self.why_not is not None:
            nothing = FigureResult(None, None, None, None, "not determined", self.why_not)
            return dict.fromkeys(found, nothing)
        if self.history is None:
            return found
        loop = self.history.loop()
        verdict = judge(*loop)
        return {key: _claimed(key, figure, verdict) for key, figure in found.items()}

    @property
    def why_not(self) -> str | None:
        """Why none of its numbers is determined, in a sentence; None where they are."""
        if self.turns:
            return "A turn-over was missed or noted wrongly: what was run is not what was noted."
        if not self._fits:
            return "The readings do not fit: something is wrong that was not found (see the warnings)."
        return None

    @property
    def _fits(self) -> bool:
        of_found = self.found.chi_square if isinstance(self.found, DecayResult) else 0.0
        return (of_found if self.history is None else self.history.misfit) <= MISFIT

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """What is to be looked at, a misfit included."""
        found = [*self.readings.remarks, *self.turns]
        if isinstance(self.found, DecayResult):
            found += self.found.warnings
            text = "the readings at the held gap follow no line in the logarithm of time"
        else:
            text = "no density of switching fields gives these readings within what any model is off by"
        if self.history is not None:
            found += self.history.warnings
            text += f" (mean square {self.history.misfit:.1f})"
        if not self._fits:
            found.append(Finding("misfit", f"{text}: look at the bench file and the order of the rows"))
        return tuple(found)

    def to_json(self) -> dict[str, Any]:
        """Plain types only, SI, null where there is no number."""
        h = self.history
        found: dict[str, Any] = {
            "schema": 1,
            "sample": self.bench.sample.name,
            "gives": self.gives,
            "readings": len(self.readings),
            "used": self.used,
        }
        if h is not None:
            found |= {"misfit": h.misfit, "largest_felt_A_per_m": h.largest}
        warnings = [{"code": w.code, "text": w.text, "rows": list(w.rows)} for w in self.warnings]
        parts = ("value", "u", "low95", "high95", "status", "why")
        figures = {key: {part: getattr(f, part) for part in parts} for key, f in self.figures.items()}
        return found | {"warnings": warnings, "figures": figures, "result": plain(self.found)}


@on_one_thread
def analyse_programme(
    readings: Readings,
    bench: Bench,
    gives: str | None = None,
    *,
    draws: int = 1000,
    seed: int = 1,
    slips: bool = True,
) -> ProgrammeResult:
    """What the ``readings`` give: ``gives``, or what they were taken for. ``slips``: look for rows that are
    off.

    Raises InputError for what no run gives, NotPossible where the readings do not suffice.
    """
    gives = gives or readings.gives
    if gives not in GIVES:
        raise InputError("programme", [Fault("name", repr(gives), nearest(gives, ["loop", *GIVES]))])
    readings = replace(readings, gives=gives)
    turns = missed_turns(readings, bench)
    if gives == "decay":
        return ProgrammeResult(readings, bench, gives, decay(readings, bench), None, draws, seed, turns)
    history = fit_history(readings, bench, draws=draws, seed=seed, slips=slips and not turns)
    return ProgrammeResult(readings, bench, gives, RESULTS[gives](history), history, draws, seed, turns)


def _main_numbers(found: Found) -> dict[str, FigureResult]:
    if isinstance(found, RecoilResult):
        # Over the longest line before flux is lost.
        k = int(np.flatnonzero(np.append(True, found.loss[1:] < LOSS))[-1])
        return {
            "field_of_loss_A_per_m": _estimated(found.field_of_loss),
            "load_line_of_loss": _estimated(found.load_line_of_loss),
            "recoil_permeability": _about(found.permeability[k], found.u_permeability[k]),
        }
    if isinstance(found, RemanenceResult):
        most = int(np.nanargmax(np.abs(found.difference)))
        return {
            "remanence_A_per_m": _estimated(found.remanence),
            "remanence_coercivity_A_per_m": _estimated(found.Hcr),
            "largest_difference": _about(found.difference[most], found.u_difference[most]),
        }
    if isinstance(found, ReversalResult):
        known, why = found.known_share, _KNOWN
        if known < LEAST_KNOWN:
            why = f"Only {100 * known:.0f} % of the distribution is known: more gaps or better readings."
        means = (found.coercive, found.interaction) if known >= LEAST_KNOWN else (np.nan, np.nan)
        return {
            "coercive_field_A_per_m": _about(means[0], found.u_coercive, why),
            "interaction_field_A_per_m": _about(means[1], found.u_interaction, why),
        }
    if found.bound is None:
        return {"viscosity_A_per_m": _about(found.S, found.u)}
    why = "No decay is seen beside what a drift of the balance would look like: at most this, with 97.5 %."
    return {"viscosity_A_per_m": FigureResult(found.bound, found.u, None, found.bound, "bound", why)}


def _claimed(key: str, figure: FigureResult, verdict: Verdict) -> FigureResult:
    """What a figure of the largest field may claim of the material: where the branches have all but met it
    may be larger by as much as they are apart."""
    if figure.value is None or verdict.saturated or key in _OF_ANY_LOOP:
        return figure
    assert figure.u is not None
    may = claim(key, figure.value, verdict)
    if may.status == "bound":
        return FigureResult(figure.low95, figure.u, figure.low95, None, may.status, may.why)
    if may.status == "measured":
        # A load line is M/|H| - 1: as much of M/|H| as the field is larger by.
        of = figure.value + (key == "load_line_of_loss")
        return _about(figure.value, float(np.hypot(figure.u, verdict.apart * of)), may.why)
    return FigureResult(None, None, None, None, may.status, may.why)


def _number(
    value: float,
    u: float | None = None,
    low: float | None = None,
    high: float | None = None,
    why: str | None = None,
) -> FigureResult:
    if not np.isfinite(value):
        return FigureResult(None, None, None, None, "not determined", why or "The bench does not reach it.")
    return FigureResult(float(value), u, low, high, "measured", why)


def _estimated(e: Estimated) -> FigureResult:
    return _number(e.value, e.u, e.low95, e.high95)


def _about(value: float, u: float, why: str | None = None) -> FigureResult:
    v, u = float(value), float(u)
    return _number(v, u, v - 1.96 * u, v + 1.96 * u, why)
