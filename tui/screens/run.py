"""The run: what to do next, the loop filling in, the live reading, how far it is."""

from __future__ import annotations

from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static

from ..keys import bindings
from ..picture import bench_facts, last_zero, next_step, pulls, step_of
from ..widgets.action_line import ActionLine
from ..widgets.log_lines import LogLines
from ..widgets.loop_plot import LEGEND, Dot, LoopPlot
from ..widgets.progress_ladder import ProgressLadder
from ..widgets.reading_panel import ReadingPanel, live_texts
from ..words import grams, point_line
from .asking import AskText, AskYesNo, Choose
from .view import View


class RunView(View):
    """The bench partner's main view."""

    PLACE = "run"
    BINDINGS = bindings("run")

    def body(self) -> ComposeResult:
        yield ActionLine()
        yield ProgressLadder()
        with Horizontal(id="middle"):
            with Vertical(id="loop"):
                yield Static(id="axes", markup=False)
                yield LoopPlot()
                yield Static(LEGEND, id="legend-line", markup=False)
            yield ReadingPanel()
        yield LogLines()

    def changed(self, what: str) -> None:
        if what in ("live", "all", "clock", "link"):
            self.query_one(ReadingPanel).show_live(self.picture)
        if what in ("run", "point", "all", "link"):
            self.query_one(ActionLine).show(self.picture)
            self.query_one(ProgressLadder).show(self.picture.run)
            self.query_one(ReadingPanel).show_where(self.picture)
        if what in ("run", "point", "all"):
            self._draw()
        if what in ("log", "all"):
            self.query_one(LogLines).show(self.picture.log)

    def _draw(self) -> None:
        """Draw the pull against the field; only when a point came or the run moved on."""
        axes = self.query_one("#axes", Static)
        run = self.picture.run
        plot = self.query_one(LoopPlot)
        if run is None:
            axes.update("the loop appears here, reading by reading")
            plot.draw_loop([])
            return
        axes.update("pull, g, against applied field, kA/m")
        sign, _ = bench_facts(run["bench_text"])
        dots = [
            Dot(p.field * 1e-3, p.pull * 1e3, p.u * 1e3, p.orientation, p.leg, p.set_aside)
            for p in pulls(run)
        ]
        coming = [
            Dot(step["H_applied_A_per_m"] * 1e-3, sign * step["predicted_reading_kg"] * 1e3)
            for step in run["steps"][run["steps_done"] :]
            if step["kind"] == "point"
            and step["H_applied_A_per_m"] is not None
            and step["predicted_reading_kg"] is not None
        ]
        now = None
        step, live = next_step(run), self.picture.live
        running = run["state"] == "running" and run["action"]["code"] == "wait-reading"
        if (
            running
            and step
            and step["H_applied_A_per_m"] is not None
            and live
            and live["value_kg"] is not None
        ):
            pull = sign * (live["value_kg"] - last_zero(run))
            now = Dot(step["H_applied_A_per_m"] * 1e-3, pull * 1e3)
        plot.draw_loop(dots, coming, now)

    # What the keys do.

    @work
    async def action_confirm(self) -> None:
        """It is done; a question gets its answer from a list."""
        run = self.picture.run
        if run is None:
            self.owner.action_new_run()
            return
        action = run["action"]
        choice = None
        if action["choices"]:
            picked = await self.app.push_screen_wait(Choose(action["text"], action["choices"]))
            if picked is None:
                return
            choice = action["choices"][picked]
        elif not action["needs_confirm"]:
            self.notify("Nothing waits for you just now.")
            return
        await self.owner.act("run.confirm", choice=choice)

    @work
    async def action_hold(self) -> None:
        await self.owner.act("run.hold", why="held at the screen")

    @work
    async def action_go_on(self) -> None:
        await self.owner.act("run.go_on")

    @work
    async def action_stop(self) -> None:
        if self.picture.run is None or self.picture.run["state"] not in ("running", "held"):
            self.notify("No run to stop.")
            return
        question = "End this run for good? Its readings are kept; it cannot go on afterwards."
        if await self.app.push_screen_wait(AskYesNo(question, "stop the run", "leave it")):
            await self.owner.act("run.stop", why="stopped at the screen")

    @work
    async def action_repeat(self) -> None:
        await self.owner.act("run.repeat")

    @work
    async def action_set_aside(self) -> None:
        run = self.picture.run
        if run is None or not run["points"]:
            self.notify("No reading to set aside yet.")
            return
        newest_first = run["points"][::-1]
        lines = [point_line(point, step_of(run, point)) for point in newest_first]
        picked = await self.app.push_screen_wait(Choose("Which reading? (× is set aside already)", lines))
        if picked is None:
            return
        point = newest_first[picked]
        why = None
        if point["set_aside"] is None:
            why = await self.app.push_screen_wait(AskText("Why must it not be used?", "touched"))
            if why is None:
                return
        await self.owner.act("run.set_aside", point=point["id"], why=why)

    @work
    async def action_note(self) -> None:
        text = await self.app.push_screen_wait(AskText("A note for the run's log:"))
        if text is not None:
            await self.owner.act("run.note", text=text)

    def action_copy(self) -> None:
        """Copy the settled value, or the bare reading where nothing is settled."""
        live = self.picture.live
        if live is None:
            return
        _, decimals = bench_facts(self.picture.run["bench_text"] if self.picture.run else "")
        number = live["value_kg"] if live["value_kg"] is not None else live["reading_kg"]
        text = grams(number, decimals + 1).replace("−", "-")
        self.app.copy_to_clipboard(text)
        self.notify(f"Copied {text} g ({live_texts(self.picture)[1].plain.splitlines()[0]})")
