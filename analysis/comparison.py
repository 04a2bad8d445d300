"""Several runs side by side: differences against their joint uncertainty, and the batch as a whole.

What runs have in common (the same bench values: remanence, contact gap, spacers, gravity) is wrong by the
same amount in all of them and cancels from a difference. The Monte Carlo trials carry this: an input with
the same place and value in two bench files takes the same values in both, trial by trial.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any

import numpy as np

from .figures.monte_carlo import summarise
from .figures.names import FIGURE_NAMES
from .records.arrays import Floats
from .results import LoopResult

#: Runs whose spread would come about by measurement alone less often than this differ.
_CHANCE = 0.05


@dataclass(frozen=True)
class Difference:
    """One figure of two runs: ``first`` minus ``second``, SI.

    ``u`` is the joint standard uncertainty, ``u_apart`` what it would be had the runs nothing in common;
    ``differs`` whether zero lies outside the 95 % interval. ``note`` says where the figures are bounds.
    """

    figure: str
    first: str
    second: str
    value: float
    u: float
    low95: float
    high95: float
    u_apart: float
    differs: bool
    note: str | None = None


@dataclass(frozen=True)
class Batch:
    """One figure over all runs that have it, SI: ``mean``, its standard uncertainty ``u_mean`` (shared
    inputs included), ``spread`` (standard deviation between runs), ``u_own`` (the part of it that
    measurement explains), and the ``chance`` of such a spread were the samples alike."""

    figure: str
    runs: int
    mean: float
    u_mean: float
    spread: float
    u_own: float
    chance: float
    differ: bool


@dataclass(frozen=True)
class Trend:
    """How one figure goes over the batch, SI: the slope ``per_run`` of the straight line through the runs
    in the order given (least squares), its standard uncertainty ``u`` with what is shared cancelled, the
    95 % interval, and whether zero lies outside it (``goes``)."""

    figure: str
    runs: int
    per_run: float
    u: float
    low95: float
    high95: float
    goes: bool


@dataclass(frozen=True)
class Comparison:
    """Runs side by side. ``shared`` names the inputs all have in common, which cancel from differences."""

    names: tuple[str, ...]
    table: tuple[dict[str, Any], ...]
    differences: tuple[Difference, ...]
    batch: tuple[Batch, ...]
    trend: tuple[Trend, ...]
    shared: tuple[str, ...]
    text: str

    def to_json(self) -> dict[str, Any]:
        """Plain types only."""
        return {
            "schema": 1,
            "runs": list(self.names),
            "figures": list(self.table),
            "differences": [asdict(d) for d in self.differences],
            "batch": [asdict(b) for b in self.batch],
            "trend": [asdict(t) for t in self.trend],
            "shared_inputs": list(self.shared),
            "shared_text": self.text,
        }


def compare(results: Sequence[LoopResult]) -> Comparison:
    """Compare two runs or more (``results.analyse`` with the same seed for all).

    Raises ValueError for fewer than two, or for different seeds, whose trials have nothing in common.
    """
    if len(results) < 2:
        raise ValueError("a comparison needs two runs or more")
    if len({result.seed for result in results}) > 1:
        raise ValueError("the runs were analysed with different seeds, so that shared inputs do not cancel")
    names = _names(results)
    in_all = set.intersection(*(set(result.shared) for result in results))
    shared = tuple(words for identity, words in results[0].shared.items() if identity in in_all)
    keys = [key for key in FIGURE_NAMES if any(key in result.figures for result in results)]
    differences: list[Difference] = []
    batch: list[Batch] = []
    trend: list[Trend] = []
    for key in keys:
        having = [(n, r) for n, r in zip(names, results, strict=True) if key in r.samples and _has(r, key)]
        for (first, a), (second, b) in combinations(having, 2):
            differences.append(_difference(key, first, a, second, b))
        tally = BatchTally(key)
        for _, r in having:
            tally.add(_value(r, key), r.samples[key])
        if (whole := tally.batch()) is not None:
            batch.append(whole)
        if len(having) == len(results) > 2:
            trend.append(trend_of(key, results))
    return Comparison(
        names,
        tuple(_row(key, names, results) for key in keys),
        tuple(differences),
        tuple(batch),
        tuple(trend),
        shared,
        shared_words(shared),
    )


def _names(results: Sequence[LoopResult]) -> tuple[str, ...]:
    """A name for each run: its sample's, numbered where several are of one sample."""
    plain = [result.bench.sample.name for result in results]
    seen: dict[str, int] = {}
    names = []
    for name in plain:
        seen[name] = seen.get(name, 0) + 1
        names.append(name if plain.count(name) == 1 else f"{name} ({seen[name]})")
    return tuple(names)


def _has(result: LoopResult, key: str) -> bool:
    figure = result.figures.get(key)
    return figure is not None and figure.value is not None


def _value(result: LoopResult, key: str) -> float:
    value = result.figures[key].value
    assert value is not None
    return value


def _row(key: str, names: tuple[str, ...], results: Sequence[LoopResult]) -> dict[str, Any]:
    cells = {}
    for name, result in zip(names, results, strict=True):
        figure = result.figures.get(key)
        cells[name] = (
            None if figure is None else {"value": figure.value, "u": figure.u, "status": figure.status}
        )
    return {"figure": key, "runs": cells}


def _together(key: str, results: Sequence[LoopResult]) -> Floats:
    """Trials of one figure (runs, t), the same trial number in each; cut to the fewest."""
    count = min(len(result.samples[key]) for result in results)
    return np.array([result.samples[key][:count] for result in results])


def _difference(key: str, first: str, a: LoopResult, second: str, b: LoopResult) -> Difference:
    trials = _together(key, (a, b))
    s = summarise(trials[0] - trials[1])
    figures = (a.figures[key], b.figures[key])
    assert figures[0].value is not None
    assert figures[1].value is not None
    value = figures[0].value - figures[1].value
    bounds = [name for name, f in zip((first, second), figures, strict=True) if f.status == "bound"]
    note = None
    if bounds:
        note = f"{' and '.join(bounds)}: a lower bound, so this compares minor loops, not materials"
    apart = float(np.hypot(figures[0].u or 0.0, figures[1].u or 0.0))
    return Difference(key, first, second, value, s.u, s.low, s.high, apart, not s.low <= 0.0 <= s.high, note)


class BatchTally:
    """One figure over any number of runs, added up run by run: of no run's trials anything is kept."""

    def __init__(self, figure: str) -> None:
        self._figure = figure
        self._values: list[float] = []
        self._sum = self._own = self._squares = np.zeros(0)

    def add(self, value: float, trials: Floats) -> None:
        """One more run: the figure's value and its trials (t,), cut to the fewest of all runs."""
        trials = np.asarray(trials, float)
        # About each run's own middle: what the trials scatter by, were all samples alike.
        own = trials - np.nanmean(trials) if np.isfinite(trials).any() else trials
        if not self._values:
            self._sum, self._own, self._squares = trials, own, own**2
        else:
            count = min(len(self._sum), len(trials))
            self._sum = self._sum[:count] + trials[:count]
            self._own = self._own[:count] + own[:count]
            self._squares = self._squares[:count] + own[:count] ** 2
        self._values.append(value)

    def batch(self) -> Batch | None:
        """The batch so far; None for fewer than two runs. A trial that failed in any run counts in none."""
        runs, values = len(self._values), np.array(self._values)
        if runs < 2:
            return None
        good = np.isfinite(self._sum)
        by_chance = np.sqrt(np.maximum(self._squares[good] - self._own[good] ** 2 / runs, 0.0) / (runs - 1))
        spread, some = float(values.std(ddof=1)), int(good.sum())
        chance = float(np.mean(by_chance >= spread)) if some else np.nan
        return Batch(
            self._figure,
            runs,
            float(values.mean()),
            float(np.std(self._sum[good] / runs, ddof=1)) if some > 1 else np.nan,
            spread,
            float(np.sqrt(np.mean(by_chance**2))) if some else np.nan,
            chance,
            bool(chance < _CHANCE),
        )


def trend_of(key: str, results: Sequence[LoopResult]) -> Trend:
    """How a figure goes over ``results`` in the order given; all have measured it."""
    place = np.arange(len(results)) - (len(results) - 1) / 2
    weight = place / np.sum(place**2)
    s = summarise(weight @ _together(key, results))
    slope = float(weight @ np.array([result.figures[key].value for result in results], float))
    return Trend(key, len(results), slope, s.u, s.low, s.high, not s.low <= 0.0 <= s.high)


def shared_words(shared: tuple[str, ...]) -> str:
    """What all runs have in common, as a sentence."""
    if not shared:
        return "The runs have no input in common; nothing cancels from the differences."
    return f"The runs share these inputs, whose errors cancel from the differences: {', '.join(shared)}."
