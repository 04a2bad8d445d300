"""Many runs as one table: each figure over the batch, and how far each run stands from the others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from .comparison import Batch, BatchTally, Comparison, shared_words
from .figures.names import FIGURE_NAMES
from .interlaboratory import robust_mean
from .run_summary import RunSummary, trials

#: The figures by which runs are set in order: the others follow from them or say little of the material.
LEADING = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")


@dataclass(frozen=True)
class ManyRuns:
    """``comparison`` without differences between pairs, and by run the distance of its leading figures.

    ``distance[name][figure]`` is from the robust mean, in robust standard deviations between runs (ISO
    13528), or in what measurement alone scatters by where that is more; ``order`` has the runs with the
    largest distance first.
    """

    comparison: Comparison
    distance: dict[str, dict[str, float]]
    order: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """The comparison's, with the distances and the order."""
        return self.comparison.to_json() | {"distance": self.distance, "order": list(self.order)}


def many_runs(summaries: Iterable[RunSummary]) -> ManyRuns:
    """One pass over the runs, whose trials are not kept; they must be of one seed, as for ``compare``.

    Raises ValueError for fewer than two.
    """
    tallies = {key: BatchTally(key) for key in FIGURE_NAMES}
    names: list[str] = []
    cells: dict[str, dict[str, Any]] = {key: {} for key in FIGURE_NAMES}
    shared: dict[str, str] | None = None
    seen: dict[str, int] = {}
    for summary in summaries:
        seen[summary.name] = seen.get(summary.name, 0) + 1
        again = seen[summary.name] > 1
        name = f"{summary.name} ({seen[summary.name]})" if again else summary.name
        names.append(name)
        own = summary.shared
        shared = own if shared is None else {key: words for key, words in shared.items() if key in own}
        for key, figure in summary.figures.items():
            cells[key][name] = {"value": figure.value, "u": figure.u, "status": figure.status}
            if figure.value is not None and key in summary.samples:
                tallies[key].add(figure.value, trials(summary, key))
    if len(names) < 2:
        raise ValueError("a comparison needs two runs or more")
    table = tuple(
        {"figure": key, "runs": {name: found.get(name) for name in names}}
        for key, found in cells.items()
        if found
    )
    batch: list[Batch] = [whole for tally in tallies.values() if (whole := tally.batch()) is not None]
    words = tuple((shared or {}).values())
    distance = _distances(names, cells, {b.figure: b.u_own for b in batch})
    order = sorted(names, key=lambda name: -max(map(abs, distance[name].values()), default=0.0))
    return ManyRuns(
        Comparison(tuple(names), table, (), tuple(batch), (), words, shared_words(words)),
        distance,
        tuple(order),
    )


def _distances(
    names: list[str], cells: dict[str, dict[str, Any]], own: dict[str, float]
) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {name: {} for name in names}
    for key in LEADING:
        values = {n: c["value"] for n, c in cells[key].items() if c["status"] == "measured"}
        if len(values) < 3:
            continue
        middle, between = robust_mean(list(values.values()))
        spread = max(between, own.get(key, 0.0))
        for name, value in values.items():
            found[name][key] = (value - middle) / spread if spread else 0.0
    return found
