"""The runs in the store: find one, open it, name it, note on it, hide it, compare several."""

from __future__ import annotations

import asyncio
from typing import Any

from rich.text import Text
from textual import on, work
from textual.app import ComposeResult
from textual.widgets import DataTable, Input, Static

from ...daemon.protocol import Run, RunLine
from ..figure_words import main_figures, name_of, symbol_of
from ..format import date_time
from ..keys import bindings
from ..run_words import has_words
from ..state.compute import LEAST as LEAST_READINGS
from ..state.compute import NotYet
from ..state.compute_process import analyse_run
from ..state.figure_cache import FigureCache
from ..state.follower import CallRefused, FeedLost
from ..widgets.entry import Entry
from .dialogs import AskText, AskYesNo
from .take_away import TakesAway

STATES = {"planned": "◌", "running": "▶", "held": "‖", "finished": "■", "stopped": "×"}
LEAST, MOST = 2, 6

#: The figures with a column of their own.
FIGURES = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3")
#: Headings and widths; together they fit 80 columns with a scrollbar.
COLUMNS = (("", 2), ("run", 5), ("sample", 11), ("", 2), ("began", 11))
FIGURE_WIDTH = 14


class RunsView(TakesAway):
    """The list, newest first."""

    PLACE = "runs"
    BINDINGS = bindings("runs")

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[RunLine] = []
        self.marked: list[int] = []
        self._all: list[RunLine] = []
        self._words = ""
        self._with_hidden = False
        self._cells = FigureCache()
        self._computing = ""

    def body(self) -> ComposeResult:
        yield Static(id="about", markup=False)
        yield Entry(placeholder="words of the sample, the date, the state or a note", id="find", compact=True)
        yield DataTable(id="runs", cursor_type="row", zebra_stripes=False, cell_padding=0)

    def on_mount(self) -> None:
        table = self.query_one(DataTable)
        for heading, width in COLUMNS:
            table.add_column(heading, width=width)
        for key in FIGURES:
            table.add_column(Text(f"{symbol_of(key)} {name_of(key).unit()}"), width=FIGURE_WIDTH)
        table.add_column("notes", width=1, key="notes")
        self.query_one("#find").display = False
        table.focus()

    def on_resize(self) -> None:
        """The notes have what room is left."""
        table = self.query_one(DataTable)
        for key, column in table.columns.items():
            if key == "notes":
                before = sum(width for _, width in COLUMNS) + FIGURE_WIDTH * len(FIGURES)
                column.width = max(5, self.size.width - before - 2)
        table.refresh(layout=True)

    def situation(self) -> set[str]:
        return (
            super().situation()
            | ({"runs"} if self.lines else set())
            | ({"marked"} if len(self.marked) >= LEAST else set())
        )

    def changed(self, what: str) -> None:
        if what == "all":
            self.action_refresh()

    @work(exclusive=True, group="runs")
    async def action_refresh(self) -> None:
        """Read the list again."""
        try:
            lines = await self.owner.feed.call("runs.list")
        except (CallRefused, FeedLost) as error:
            self.query_one("#about", Static).update(str(error))
            return
        self._all = sorted(lines, key=lambda line: -line["id"])
        self._fill()
        self._compute_figures()

    def _fill(self) -> None:
        known = [line for line in self._all if self._with_hidden or not line.get("hidden")]
        self.lines = [line for line in known if has_words(line, self._words)]
        self.marked = [number for number in self.marked if any(line["id"] == number for line in self._all)]
        table = self.query_one(DataTable)
        row = table.cursor_row
        table.clear()
        for line in self.lines:
            table.add_row(*self._row(line), key=str(line["id"]))
        table.move_cursor(row=min(row, max(0, table.row_count - 1)))
        self._say_how_many(len(known))
        self.show_keys()

    def _row(self, line: RunLine) -> list[Any]:
        mark = Text("✓", style="bold") if line["id"] in self.marked else ""
        cells = self._cells.get(self.snapshot.store, line) or {}
        notes = line.get("notes", [])
        about = "hidden " * bool(line.get("hidden")) + (notes[-1].splitlines()[0] if notes else "")
        style = "dim" if line.get("hidden") else ""
        return [
            mark,
            Text(str(line["id"]), style=style),
            Text(line["sample"], style=style, no_wrap=True, overflow="ellipsis"),
            STATES.get(line["state"], "?"),
            date_time(line["started_utc"])[:10],
            *(cells.get(key, "") for key in FIGURES),
            Text(about, style=style, no_wrap=True, overflow="ellipsis"),
        ]

    def _say_how_many(self, known: int) -> None:
        hidden = sum(bool(line.get("hidden")) for line in self._all)
        words = f"{known} run{'s' * (known != 1)}"
        if not self._all:
            words = "No runs in the store yet." + " w: weigh a new sample." * (not self.snapshot.only_watches)
        if self._words:
            words = f"{len(self.lines)} of {words} with {self._words!r}"
        if hidden:
            words += f", {hidden} hidden" + (" among them" if self._with_hidden else " (v shows them)")
        if self.marked:
            words += f", {len(self.marked)} marked to compare"
        self.query_one("#about", Static).update(words + self._computing)

    # Figures of the rows, one run after the other, while no run on the bench needs the time.

    @work(exclusive=True, group="figures-of-runs")
    async def _compute_figures(self) -> None:
        tried: set[int] = set()
        while self.app.screen is self and "going" not in super().situation():
            due = next(
                (
                    line
                    for line in self.lines
                    if line["id"] not in tried
                    and line["state"] in ("finished", "stopped")
                    and line["points"] >= LEAST_READINGS
                    and self._cells.get(self.snapshot.store, line) is None
                ),
                None,
            )
            self._computing = f"; figures of run {due['id']} ..." if due is not None else ""
            self._say_how_many(sum(self._with_hidden or not line.get("hidden") for line in self._all))
            if due is None:
                return
            tried.add(due["id"])
            try:
                run = await self.owner.feed.call("runs.get", run=due["id"])
                cells = main_figures(await asyncio.to_thread(analyse_run, run))
            except (CallRefused, FeedLost, NotYet):
                cells = {}
            self._cells.put(self.snapshot.store, due, cells)
            table = self.query_one(DataTable)
            for key in FIGURES if str(due["id"]) in table.rows else ():
                column = table.ordered_columns[len(COLUMNS) + FIGURES.index(key)].key
                table.update_cell(str(due["id"]), column, cells.get(key, ""))

    # What the keys do.

    def _here(self) -> RunLine | None:
        row = self.query_one(DataTable).cursor_row
        return self.lines[row] if 0 <= row < len(self.lines) else None

    async def _run_here(self) -> Run | None:
        line = self._here()
        return None if line is None else await self.owner.act("runs.get", run=line["id"])

    def action_mark(self) -> None:
        """Mark or unmark the run under the cursor."""
        line = self._here()
        if line is None:
            return
        if line["id"] in self.marked:
            self.marked.remove(line["id"])
        elif len(self.marked) >= MOST:
            self.notify(f"{MOST} runs at most: more cannot be distinguished.", severity="warning")
        else:
            self.marked.append(line["id"])
        self._fill()

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        self.action_open()

    @work(exclusive=True, group="open")
    async def action_open(self) -> None:
        """Open the run under the cursor in the figures view."""
        run = await self._run_here()
        if run is not None:
            self.owner.opened = run
            await self.owner.action_view("figures")

    @work(exclusive=True, group="open")
    async def action_compare(self) -> None:
        """Draw the marked runs over each other."""
        runs: list[Any] = await asyncio.gather(*[self.owner.act("runs.get", run=k) for k in self.marked])
        if all(run is not None for run in runs):
            from .compare import CompareScreen

            await self.app.push_screen(CompareScreen(runs))

    def action_find(self) -> None:
        """Type words; only the runs that have them all stay."""
        entry = self.query_one("#find", Entry)
        entry.display = True
        entry.focus()

    @on(Input.Changed, "#find")
    def narrow(self, event: Input.Changed) -> None:
        self._words = event.value.strip()
        self._fill()

    @on(Input.Submitted, "#find")
    def found_enough(self) -> None:
        self.query_one("#find").display = bool(self._words)
        self.query_one(DataTable).focus()

    def key_escape(self) -> None:
        """Every run again."""
        entry = self.query_one("#find", Entry)
        entry.value = ""
        entry.display = False
        self.query_one(DataTable).focus()

    def action_hidden(self) -> None:
        """Hidden runs too, or not."""
        self._with_hidden = not self._with_hidden
        self._fill()

    @work
    async def action_rename(self) -> None:
        line = self._here()
        if line is None:
            return
        ask = AskText(f"Sample of run {line['id']}:", line["sample"], does="rename it")
        name = await self.app.push_screen_wait(ask)
        if name is not None and name != line["sample"] and await self._change(line, "rename", name=name):
            self.notify(f"Run {line['id']} is now of {name}.", markup=False)

    @work
    async def action_note(self) -> None:
        line = self._here()
        if line is None:
            return
        before = "".join(f"\n· {note}" for note in line.get("notes", [])[-5:])
        text = await self.app.push_screen_wait(AskText(f"A note on run {line['id']}:{before}"))
        if text is not None:
            await self._change(line, "note", text=text)

    @work
    async def action_hide(self) -> None:
        line = self._here()
        if line is None:
            return
        hidden = not line.get("hidden")
        question = f"Leave run {line['id']}, {line['sample']}, out of the list? Nothing of it is deleted."
        if not hidden or await self.app.push_screen_wait(AskYesNo(question, "hide it", "not now")):
            await self._change(line, "hide", hidden=hidden)

    async def _change(self, line: RunLine, what: str, **how: Any) -> bool:
        done = await self.owner.act(f"runs.{what}", run=line["id"], **how)
        if done:
            self.action_refresh()
        return bool(done)

    async def run_to_take(self) -> Run | None:
        return await self._run_here()
