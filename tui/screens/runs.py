"""The runs in the store: open one, mark several and compare them."""

from __future__ import annotations

import asyncio
from typing import Any

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.widgets import DataTable, Static

from ...daemon.protocol import RunLine
from ..format import date_time
from ..keys import bindings
from ..state.follower import CallRefused, FeedLost
from .view import View

STATES = {"planned": "◌", "running": "▶", "held": "‖", "finished": "■", "stopped": "×"}
LEAST, MOST = 2, 6


class RunsView(View):
    """The list, newest first."""

    PLACE = "runs"
    BINDINGS = bindings("runs")

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[RunLine] = []
        self.marked: list[int] = []

    def body(self) -> ComposeResult:
        yield Static(id="about", markup=False)
        yield DataTable(id="runs", cursor_type="row", zebra_stripes=False)

    def on_mount(self) -> None:
        table = self.query_one(DataTable)
        for heading, width in (("", 1), ("run", 4), ("sample", 20), ("state", 12), ("began (UTC)", 16)):
            table.add_column(heading, width=width)
        table.add_column("readings")
        table.focus()

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
        self.lines = sorted(lines, key=lambda line: -line["id"])
        known = {line["id"] for line in self.lines}
        self.marked = [number for number in self.marked if number in known]
        self._fill()

    def _fill(self) -> None:
        table = self.query_one(DataTable)
        row = table.cursor_row
        table.clear()
        for line in self.lines:
            mark = Text("✓", style="bold") if line["id"] in self.marked else ""
            state = f"{STATES.get(line['state'], '?')} {line['state']}"
            cells = (mark, line["id"], line["sample"], state, date_time(line["started_utc"]), line["points"])
            table.add_row(*cells, key=str(line["id"]))
        table.move_cursor(row=min(row, max(0, table.row_count - 1)))
        words = (
            f"{len(self.lines)} run{'s' * (len(self.lines) != 1)}"
            if self.lines
            else "No runs in the store yet. w: weigh a new sample."
        )
        if self.marked:
            words += f", {len(self.marked)} marked to compare"
        self.query_one("#about", Static).update(words)

    def _here(self) -> RunLine | None:
        row = self.query_one(DataTable).cursor_row
        return self.lines[row] if 0 <= row < len(self.lines) else None

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
        line = self._here()
        if line is None:
            return
        run = await self.owner.act("runs.get", run=line["id"])
        if run is not None:
            self.owner.opened = run
            await self.owner.action_view("figures")

    @work(exclusive=True, group="open")
    async def action_compare(self) -> None:
        """Draw the marked runs over each other."""
        if len(self.marked) < LEAST:
            self.notify(f"Mark {LEAST} to {MOST} runs with space first.")
            return
        runs: list[Any] = await asyncio.gather(*[self.owner.act("runs.get", run=k) for k in self.marked])
        if all(run is not None for run in runs):
            from .compare import CompareScreen

            await self.app.push_screen(CompareScreen(runs))
