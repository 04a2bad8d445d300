"""The figures of a run with intervals, the budget of the chosen one, and the warnings with their rows.

Or what the loops that it was run with say together.
"""

from __future__ import annotations

import asyncio
import time
from math import inf
from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import DataTable, Static
from textual.worker import get_current_worker

from ...analysis.figures.names import FIGURE_NAMES
from ...daemon.protocol import Run
from ..bench_shifts import bench_rows
from ..figure_words import figure_cells, name_of
from ..keys import bindings
from ..state.compute import NotYet, loop_points
from ..state.compute_process import analyse_run, follow_loops
from ..state.snapshot import asides, goes_on
from ..widgets.budget_bars import BudgetBars
from ..widgets.listing import listing
from ..widgets.loop_plot import Dot, LoopPlot
from ..widgets.picture import Picture
from ..widgets.programme_curves import programme_pictures
from .take_away import TakesAway

#: While a run goes on, figures are computed again at most this often, s, and never more than this part of
#: the time is spent on it: the live screen and the daemon come first. ``r`` computes at once.
EVERY_S = 20.0
WORK_SHARE = 0.03

#: How the loop was found, for a person.
METHODS = {
    "mean": "M straight from each pull",
    "branch spline": "M by smooth branches",
    "hysteron density": "M by a sum of switching grains",
    "recoil": "recoil by switching grains",
    "remanence": "remanence by switching grains",
    "reversal": "reversal curves by switching grains",
    "decay": "decay in one field",
    "repeat": "loops against temperature and time",
}

#: Headings and widths; together they fit 80 columns with a scrollbar.
COLUMNS = ((" figure", 25), (" " * 10 + "value", 15), (" unit", 8), (" " * 12 + "95 %", 16), (" status", 15))


#: Over what the readings say of the bench.
BENCH = "readings on the bench file"


class FiguresView(TakesAway):
    """Figures of the opened run, or of the one on the bench."""

    PLACE = "figures"
    BINDINGS = bindings("figures")

    def __init__(self) -> None:
        super().__init__()
        self._result: Any = None
        #: What the figures are of: run, readings, those set aside, and whether it goes on.
        self._of: tuple[int, int, int, bool] | None = None
        self._started = -EVERY_S
        self._took = 0.0
        #: Of another programme than the loop: what there is to draw, and which of it is drawn.
        self._pictures: list[Picture] = []
        self._drawn = 0
        #: Whether the loops run together are shown, or being followed, in place of the run.
        self._together = False

    def body(self) -> ComposeResult:
        yield Static(id="about", markup=False)
        with Horizontal(id="upper"):
            yield DataTable(
                id="figures", cursor_type="row", zebra_stripes=False, cell_padding=0, show_header=False
            )
            with Vertical(id="figure-loop"):
                yield Static("M against internal field, both kA/m", id="axes", markup=False)
                yield LoopPlot()
                yield Static(id="curve-legend", markup=False)
        yield Static(id="why", markup=False)
        with Horizontal(id="lower"):
            yield BudgetBars(id="budget")
            with VerticalScroll(id="warnings-box"):
                yield Static(id="warnings", markup=False)

    def run_shown(self) -> Run | None:
        """The opened run, else the one on the bench."""
        return self.owner.opened or self.snapshot.run

    def changed(self, what: str) -> None:
        if what in ("all", "point", "run", "clock"):
            self._compute_if_due(now=what == "all" and self._result is None)
        if what == "all" and self._result is not None:
            self._show()  # the theme may have changed

    def _compute_if_due(self, now: bool = False) -> None:
        run = self.run_shown()
        if run is None:
            self._of = self._result = None
            self._say("No run yet. w: weigh a new sample; 4: open an earlier one.")
            return
        of = (run["id"], len(run["points"]), asides(run), goes_on(run))
        if self._together and self._of is not None and self._of[0] == run["id"]:
            return
        self._together = False
        if of == self._of:
            return
        other = self._of is None or self._of[0] != run["id"] or not goes_on(run)
        if now or other or time.monotonic() - self._started > max(EVERY_S, self._took / WORK_SHARE):
            self._of = of
            self._started, self._took = time.monotonic(), inf  # not known before it is done
            self._compute(run)

    @work(thread=True, exclusive=True, group="figures")
    def _compute(self, run: Run) -> None:
        worker = get_current_worker()
        self.app.call_from_thread(self._busy, run)
        result, why = None, ""
        try:
            result = analyse_run(run)
        except NotYet as error:
            why = str(error)
        self._took = time.monotonic() - self._started  # also where it took long to find that there is nothing
        if worker.is_cancelled:
            return
        if result is None:
            self.app.call_from_thread(self._nothing, why)
        else:
            self.app.call_from_thread(self._take, run, result)

    def _busy(self, run: Run) -> None:
        if self._result is None:
            self._say(f"Run {run['id']}, {run['sample']}: computing ...")

    def _nothing(self, why: str) -> None:
        self._result = None
        self._say(why)

    def _say(self, words: str) -> None:
        self.query_one("#about", Static).update(words)
        self._empty(True)
        self.query_one(DataTable).clear()
        self.query_one("#why", Static).update("")
        self.query_one("#warnings", Static).update("")
        self.query_one(BudgetBars).show("", [])

    def _empty(self, empty: bool) -> None:
        """Where there is nothing to tell no headings and no axes stand."""
        self.show_keys()
        self.set_class(empty, "empty")
        self.query_one(DataTable).show_header = not empty

    def _take(self, run: Run, result: Any) -> None:
        self._result = result
        self._pictures = programme_pictures(result) if hasattr(result, "gives") else []
        self._drawn = self._drawn if self._drawn < len(self._pictures) else 0
        self.query_one("#about", Static).update(_about(run, result))
        self._show()

    def _show(self) -> None:
        result = self._result
        table = self.query_one(DataTable)
        row = table.cursor_row
        if not table.columns:
            for heading, width in COLUMNS:
                table.add_column(heading, width=width)
        self._empty(False)
        table.clear()
        for key in self._keys():
            table.add_row(*figure_cells(key, result.figures[key]), key=key)
        table.move_cursor(row=min(row, max(0, table.row_count - 1)))
        table.focus()
        self._show_chosen()
        self.set_class(bool(self._pictures), "programme")
        # Beside a plot as many lines as it has; by itself a table knows that only when it comes to rest.
        table.styles.height = table.row_count + 1 if self._pictures else None
        if self._pictures:
            left_out = [("·", text) for text in getattr(result, "left_out", ())]
            warnings = warnings_list(result.warnings) if result.warnings or not left_out else ""
            self.query_one("#warnings", Static).update(Group(warnings, listing(left_out)))
            self._draw_picture()
            return
        self.query_one("#axes", Static).update("M against internal field, both kA/m")
        self.query_one("#warnings", Static).update(
            Group(warnings_list(result.warnings), "", listing(bench_rows(result.found_inputs), BENCH))
        )
        dots = [
            Dot(p.H * 1e-3, p.M * 1e-3, p.u * 1e-3, p.orientation, p.leg, not p.used)
            for p in loop_points(result)
        ]
        self.query_one(LoopPlot).draw_loop(dots)

    def _draw_picture(self) -> None:
        picture = self._pictures[self._drawn]
        number = len(self._pictures)
        other = f"   v: {self._pictures[(self._drawn + 1) % number].of}" if number > 1 else ""
        self.query_one("#axes", Static).update(f"{picture.axes}{other}")
        self.query_one("#curve-legend", Static).update(picture.legend)
        self.query_one(LoopPlot).draw_picture(picture)

    @work(exclusive=True, group="figures")
    async def action_repeats(self) -> None:
        """What the loops that this one was run with say together; or back to this one."""
        run = self.run_shown()
        if run is None:
            return
        if self._together:
            self.action_compute()
            return
        numbers = await self.owner.act("runs.together", run=run["id"])
        if not isinstance(numbers, list) or len(numbers) < 2:
            alone = f"Run {run['id']} was started alone." if numbers else ""
            self.notify(f"{alone} Loops that are started together (programme repeat) are followed.".strip())
            return
        runs = await asyncio.gather(*[self.owner.act("runs.get", run=number) for number in numbers])
        self._together = True
        begun = f"Runs {numbers[0]} to {numbers[-1]}, {run['sample']}: following"
        about = self.query_one("#about", Static)

        def stage(done: str) -> None:
            self.app.call_from_thread(about.update, f"{begun} {done} ...")

        try:
            result = await asyncio.to_thread(follow_loops, [one for one in runs if one], stage)
        except NotYet as why:
            self.notify(str(why), severity="warning", timeout=10, markup=False)
            self.action_compute()
            return
        if self._together and run is self.run_shown():
            self._drawn = 0
            self._take(run, result)

    def action_which_plot(self) -> None:
        """The next of the pictures of a programme."""
        self._drawn = (self._drawn + 1) % len(self._pictures)
        self._draw_picture()

    def _keys(self) -> list[str]:
        if self._pictures:
            return list(self._result.figures)
        named = [key for key in FIGURE_NAMES if key in self._result.figures]
        return named + [key for key in self._result.figures if key not in FIGURE_NAMES]

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        self._show_chosen()

    def _show_chosen(self) -> None:
        table = self.query_one(DataTable)
        if self._result is None or not table.row_count:
            return
        key = self._keys()[min(table.cursor_row, table.row_count - 1)]
        name = name_of(key)
        figure = self._result.figures[key]
        self.query_one("#why", Static).update(figure.why or "")
        shares = [(line.input, line.share) for line in getattr(self._result, "budget", {}).get(key, ())]
        heading = f"± of {name.words}, by input" if shares else f"{name.words}: no budget"
        self.query_one(BudgetBars).show(heading, shares)

    def situation(self) -> set[str]:
        return (
            super().situation()
            | ({"figures"} if self._result is not None else set())
            | ({"one run"} if self._result is not None and not self._together else set())
            | ({"loop"} if self._together or hasattr(self._result, "estimate") else set())
            | ({"plots"} if self._result is not None and len(self._pictures) > 1 else set())
            | ({"opened"} if self.owner.opened is not None else set())
        )

    async def run_to_take(self) -> Run | None:
        return self.run_shown()

    def action_compute(self) -> None:
        """Compute again."""
        self._of, self._together = None, False
        self._compute_if_due(now=True)

    def action_present(self) -> None:
        """Back to the run on the bench."""
        self.owner.opened = None
        self._of = self._result = None
        self._together = False
        self._compute_if_due(now=True)

    def action_copy(self) -> None:
        """Copy the table, tab-separated, with plain minus signs."""
        lines = []
        for key in self._keys():
            cells = [str(cell).strip() for cell in figure_cells(key, self._result.figures[key])]
            lines.append("\t".join(cells).replace("−", "-"))
        self.app.copy_to_clipboard("\n".join(lines))
        self.notify(f"Copied {len(lines)} figures.")


def _about(run: Run, result: Any) -> str:
    """What the figures are of, in a line."""
    gives = getattr(result, "gives", "")
    method = METHODS.get(gives) or result.estimate.method_used
    if gives == "repeat":
        return f"{result.used} loops of {run['sample']}, from {result.found.loops[0].name} on; {method}"
    readings = sum(point["kind"] == "point" for point in run["points"])
    going = "" if run["state"] in ("finished", "stopped") else ", still being weighed"
    used = "at the held gap" if gives == "decay" else "used"
    return (
        f"Run {run['id']}, {run['sample']}{going}: {result.used} of {readings} readings {used}; "
        f"{METHODS.get(method, method)}"
    )


def warnings_list(warnings: Any) -> Table | Text:
    """The warnings, each with the rows it is about."""
    if not warnings:
        return Text("no warnings", style="dim")
    rows = []
    for warning in warnings:
        named = "row" in warning.text or not warning.rows
        plural = "s" * (len(warning.rows) > 1)
        about = "" if named else f" (row{plural} {', '.join(map(str, warning.rows))})"
        rows.append(("!", f"{warning.text}{about}"))
    return listing(rows, bold=True)
