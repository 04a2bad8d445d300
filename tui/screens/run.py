"""The run: what to do next, the loop filling in, the live reading, how far it is."""

from __future__ import annotations

import time
from math import isfinite, nan
from typing import Final

from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static
from textual.worker import get_current_worker

from ...daemon.protocol import Run
from ..format import grams, point_line
from ..keys import bindings
from ..state.compute import Magnetised, NotYet, magnetisation
from ..state.snapshot import asides, bench_facts, foreseen, pulls, step_of, under_way
from ..widgets.action_line import ActionLine
from ..widgets.listing import Lines, listing
from ..widgets.log_lines import LogLines
from ..widgets.loop_plot import LEGEND, Dot, LoopPlot
from ..widgets.progress_ladder import ProgressLadder
from ..widgets.reading_panel import ReadingPanel, live_texts
from .dialogs import AskText, AskYesNo, Choose
from .view import View

#: What stands in the loop's place before there is one.
THE_WAY: Final = (
    ("w", "A short form; it writes the bench file for you."),
    ("1", "Do what the line on top says: sample off, on, turned over. HANDS OFF: the bench is at work."),
    ("", "The loop fills in here, reading by reading."),
    ("3", "The figures, and how well they are known."),
    ("", ""),
    ("5", "First time? What to check by hand."),
    ("2", "Is the balance steady here?"),
)

#: No more than this part of the time is spent on computing the magnetisation while a run goes on.
WORK_SHARE: Final = 0.015


class Axes(Lines):
    """What is drawn; a click draws the other."""

    ALLOW_SELECT = False

    async def on_click(self) -> None:
        await self.run_action("screen.what_is_drawn")


class RunView(View):
    """The bench partner's main view."""

    PLACE = "run"
    BINDINGS = bindings("run")

    def __init__(self) -> None:
        super().__init__()
        self._magnetisation = False
        #: What the magnetisation was computed from last.
        self._of: object = None
        self._started = self._took = 0.0
        self._found = Magnetised([], [])

    def body(self) -> ComposeResult:
        yield ActionLine()
        yield ProgressLadder()
        with Horizontal(id="middle"):
            with Vertical(id="loop"):
                yield Axes(id="axes")
                yield LoopPlot()
                yield Static(LEGEND, id="legend-line", markup=False)
                yield Static(listing(THE_WAY, "how a loop is weighed", bold=True), id="the-way")
            yield ReadingPanel()
        yield LogLines()

    def changed(self, what: str) -> None:
        if what in ("live", "all", "clock", "link"):
            self.query_one(ReadingPanel).show_live(self.snapshot)
            self._move_now()
        if what in ("device", "all", "link"):
            self.query_one(ReadingPanel).show_measured(self.snapshot)
        if what in ("run", "point", "all", "link"):
            self.query_one(ActionLine).show(self.snapshot)
            self.query_one(ProgressLadder).show(self.snapshot.run)
            self.query_one(ReadingPanel).show_where(self.snapshot)
        if what in ("run", "point", "all"):
            self._draw()
        if what in ("clock", "all"):
            self._compute_if_due()
        if what in ("log", "all"):
            self.query_one(LogLines).show(self.snapshot.log)

    def _draw(self) -> None:
        """Draw the loop; only when a point came or the run moved on."""
        run = self.snapshot.run
        self.set_class(run is None, "no-run")
        if run is None:
            return
        if not self._magnetisation:
            self.query_one(Axes).show("pull, g, against applied field, kA/m  m: M")
            self.query_one(LoopPlot).draw_loop(*pull_dots(run))
        self._move_now()

    def _move_now(self) -> None:
        """The reading under way, where it stands in the plot."""
        now, place = under_way(self.snapshot), None
        if now is not None:
            step, pull = now
            by_pull = 1e3
            if self._magnetisation:  # known for one step only, and a moment later than the run moves on
                by_pull = self._found.per_pull * 1e-3 if self._found.step == step["step"] else nan
            if isfinite(by_pull):
                place = (step["H_applied_A_per_m"] or 0.0) * 1e-3, pull * by_pull
        self.query_one(LoopPlot).move_now(place)

    def _compute_if_due(self) -> None:
        """The magnetisation again where something came, looked at once a second."""
        run = self.snapshot.run
        if run is None or not self._magnetisation:
            return
        of = (run["id"], run["steps_done"], len(run["points"]), asides(run), self.app.theme)
        if of != self._of and time.monotonic() - self._started > self._took / WORK_SHARE:
            self._of = of
            self._compute(run)

    @work(thread=True, exclusive=True, group="loop")
    def _compute(self, run: Run) -> None:
        self._started = time.monotonic()
        worker = get_current_worker()
        try:
            drawn, why = magnetisation(run), ""
        except NotYet as error:
            drawn, why = Magnetised([], []), str(error)
        self._took = time.monotonic() - self._started
        if not worker.is_cancelled:
            self.app.call_from_thread(self._draw_magnetisation, drawn, why)

    def _draw_magnetisation(self, found: Magnetised, why: str) -> None:
        if not self._magnetisation:
            return
        self._found = found
        self.query_one(Axes).show(why or "M, kA/m, against applied field, kA/m  m: pull")
        dots = [
            Dot(p.H * 1e-3, p.M * 1e-3, p.u * 1e-3, p.orientation, p.leg, not p.used) for p in found.taken
        ]
        self.query_one(LoopPlot).draw_loop(dots, [Dot(p.H * 1e-3, p.M * 1e-3) for p in found.coming])
        self._move_now()

    def action_what_is_drawn(self) -> None:
        """Draw the magnetisation instead of the pull, or back."""
        self._magnetisation = not self._magnetisation
        self._of, self._took, self._found = None, 0.0, Magnetised([], [])
        if self._magnetisation:
            self.query_one(Axes).show("M against applied field: computing ...")
        self._draw()
        self._compute_if_due()

    # What the keys do.

    @work
    async def action_confirm(self) -> None:
        """It is done; a question gets its answer from a list."""
        run = self.snapshot.run
        if run is None:
            self.owner.action_new_run()
            return
        action = run["action"]
        choice = None
        if action["choices"]:
            # The last answer, the one that takes no reading on trust, is at hand.
            ask = Choose(action["text"], action["choices"], start=len(action["choices"]) - 1)
            picked = await self.app.push_screen_wait(ask)
            if picked is None:
                return
            choice = action["choices"][picked]
        elif not action["needs_confirm"]:
            self.notify("Nothing waits for you just now.")
            return
        await self.owner.act("run.confirm", choice=choice, code=action["code"])

    @work
    async def action_hold(self) -> None:
        await self.owner.act("run.hold", why="held at the screen")

    @work
    async def action_go_on(self) -> None:
        await self.owner.act("run.go_on")

    @work
    async def action_stop(self) -> None:
        if self.snapshot.run is None or self.snapshot.run["state"] not in ("running", "held"):
            self.notify("No run to stop.")
            return
        question = "Stop this run for good? Its readings are kept; it cannot go on afterwards."
        if await self.app.push_screen_wait(AskYesNo(question, "stop the run", "not now")):
            await self.owner.act("run.stop", why="stopped at the screen")

    @work
    async def action_repeat(self) -> None:
        await self.owner.act("run.repeat")

    @work
    async def action_set_aside(self) -> None:
        run = self.snapshot.run
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
        live = self.snapshot.live
        if live is None:
            return
        _, decimals = bench_facts(self.snapshot.bench_text)
        number = live["value_kg"] if live["value_kg"] is not None else live["reading_kg"]
        text = grams(number, decimals + 1).replace("−", "-")
        self.app.copy_to_clipboard(text)
        self.notify(f"Copied {text} g ({live_texts(self.snapshot)[1].plain.splitlines()[0]})")


def pull_dots(run: Run) -> tuple[list[Dot], list[Dot]]:
    """Readings taken and readings to come, in kA/m and g of attraction."""
    taken = [
        Dot(p.field * 1e-3, p.pull * 1e3, p.u * 1e3, p.orientation, p.leg, p.set_aside) for p in pulls(run)
    ]
    coming = [Dot((f.step["H_applied_A_per_m"] or 0.0) * 1e-3, f.pull * 1e3) for f in foreseen(run)]
    return taken, coming
