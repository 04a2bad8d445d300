"""Loops that were run together, as the figures view shows them: coefficients, scatter, what to draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ...daemon.protocol import Run

if TYPE_CHECKING:
    from ...analysis.errors import Finding
    from ...analysis.figures.uncertainty import BudgetLine, FigureResult
    from ...analysis.repeat import RepeatResult

#: Most Monte Carlo trials of each loop: coefficients come from the trials' slopes, not from their ends.
TRIALS = 1000


@dataclass(frozen=True, eq=False)
class LoopsTogether:
    """``found``, and its numbers as a run's figures stand: of a figure ``KEY`` that by "coefficient KEY",
    with its ``budget``, and "scatter KEY". ``left_out``: of which runs there is no loop, and why."""

    found: RepeatResult
    figures: dict[str, FigureResult]
    budget: dict[str, tuple[BudgetLine, ...]]
    left_out: tuple[str, ...] = ()
    gives: str = "repeat"

    @property
    def used(self) -> int:
        """How many loops it rests on."""
        return len(self.found.loops)

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """What is to be looked at."""
        return self.found.warnings


def follow_loops(runs: Sequence[Run], progress: Callable[[str], None] = lambda stage: None) -> LoopsTogether:
    """The finished loops among ``runs`` of one sample, one by one. Raises NotPossible and InputError as
    ``analysis.repeat`` does."""
    from ...analysis.errors import WeighloopError
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.repeat import analyse_loops
    from ...daemon.store.readings_table import readings_of

    inputs, left_out = [], []
    for run in runs:
        try:
            if run["state"] == "finished" and run.get("gives", "loop") == "loop":
                bench = parse_bench(run["bench_text"], f"the bench file of run {run['id']}")
                inputs.append((readings_of(run), bench))
            else:
                left_out.append(f"run {run['id']}: no finished loop")
        except WeighloopError as error:
            left_out.append(f"run {run['id']}: {error}")

    def done(number: int) -> None:
        progress(f"{number} of {len(inputs)} loops")

    done(0)
    return as_figures(analyse_loops(inputs, trials=TRIALS, progress=done), tuple(left_out))


def as_figures(found: RepeatResult, left_out: tuple[str, ...] = ()) -> LoopsTogether:
    """The numbers of loops that were followed, as a run's figures stand."""
    from ...analysis.figures.uncertainty import FigureResult

    figures: dict[str, Any] = {}
    for c in found.coefficients:
        figures[f"coefficient {c.figure}"] = FigureResult(c.value, c.u, c.low95, c.high95, c.status, c.why)
    for line in found.repeatability:
        why = f"Of one loop, apart from what goes with temperature and time; {line.loops} loops."
        u = line.scatter / (2.0 * line.freedom) ** 0.5  # JCGM 100:2008, E.4.3
        figures[f"scatter {line.figure}"] = FigureResult(line.scatter, u, None, None, "measured", why)
    budget = {f"coefficient {c.figure}": c.budget for c in found.coefficients}
    return LoopsTogether(found, figures, budget, left_out)
