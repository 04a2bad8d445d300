"""The run: what to do next, the loop filling in, the live reading, how far it is."""

from __future__ import annotations

import time
from typing import Any, Final

from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static
from textual.worker import get_current_worker

from ...daemon.protocol import Run
from ..format import grams, point_line
from ..keys import bindings
from ..state.coil_look import CoilLook
from ..state.compute import Magnetised, NotYet, loop_points
from ..state.compute_process import analyse_run, coil_look, magnetisation
from ..state.snapshot import asides, bench_facts, foreseen, pulls, step_of, under_way, weighs_coil
from ..widgets.action_line import ActionLine
from ..widgets.big_digits import BigDigits
from ..widgets.coil_pulls import LEGEND as COIL_LEGEND
from ..widgets.coil_pulls import CoilPulls, axes_words, dots
from ..widgets.finish_card import FinishCard
from ..widgets.listing import Lines, listing
from ..widgets.log_lines import LogLines
from ..widgets.loop_plot import LEGEND, LEGEND_OF_PASSAGES, Dot, LoopPlot
from ..widgets.programme_curves import programme_pictures
from ..widgets.progress_ladder import ProgressLadder
from ..widgets.reading_panel import ReadingPanel, live_texts
from .dialogs import AskText, AskYesNo, Choose
from .take_away import TakesAway

#: What stands in the loop's place before there is one; the first line is for whoever may begin one.
THE_WAY: Final = (
    ("w", "A short form; it writes the bench file for you."),
    ("1", "Do what the line on top says: sample off, on, turned over. HANDS OFF: the bench is at work."),
    ("", "The loop fills in here, reading by reading."),
    ("2", "Is the balance steady here?"),
    ("3", "The figures, and how well they are known."),
    ("4", "Earlier runs."),
    ("5", "First time? What to check by hand."),
)

#: From these there is no way on.
ENDED: Final = ("finished", "stopped")

#: No more than this part of the time is spent on computing the magnetisation while a run goes on.
WORK_SHARE: Final = 0.015


class Axes(Lines):
    """What is drawn; a click draws the other."""

    ALLOW_SELECT = False

    async def on_click(self) -> None:
        await self.run_action("screen.what_is_drawn")


class RunView(TakesAway):
    """The bench partner's main view."""

    PLACE = "run"
    BINDINGS = bindings("run")

    def __init__(self) -> None:
        super().__init__()
        self._shows_pull = False
        #: What the magnetisation was computed from last.
        self._of: object = None
        self._started = self._took = 0.0
        self._found: Magnetised | None = None
        self._coil: CoilLook | None = None
        self._why_no_M = ""
        #: Of a run that is over: its number and number of readings, when its figures were begun, where their
        #: computation is, and they themselves.
        self._finished: tuple[int, int, int] | None = None
        self._begun, self._stage, self._result = 0.0, "", None

    def body(self) -> ComposeResult:
        with Horizontal(id="head"):
            yield ActionLine()
            yield BigDigits(id="far-digits", unit="g")
        yield ProgressLadder()
        with Horizontal(id="middle"):
            with Vertical(id="loop"):
                yield Axes(id="axes")
                yield LoopPlot()
                yield CoilPulls(id="coil-pulls")
                yield Lines(id="legend-line")
                way = THE_WAY[self.snapshot.only_watches :]
                yield Static(listing(way, "how a loop is weighed", bold=True), id="the-way")
            yield ReadingPanel()
            yield FinishCard(self.snapshot.only_watches)
        yield LogLines()

    def changed(self, what: str) -> None:
        run = self.snapshot.run
        if what in ("live", "all", "clock", "link"):
            self.query_one(ReadingPanel).show_live(self.snapshot)
            self.query_one("#far-digits", BigDigits).show(live_texts(self.snapshot)[0])
            self._move_now()
        if what in ("device", "all", "link"):
            self.query_one(ReadingPanel).show_measured(self.snapshot)
        if what in ("run", "point", "all", "link"):
            self.set_class(run is not None and run["state"] in ENDED, "over")
            self.set_class(weighs_coil(run), "coil")
            self.query_one(ActionLine).show(self.snapshot)
            self.query_one(ReadingPanel).show_where(self.snapshot)
        if what in ("run", "point", "all", "link", "clock"):
            self.query_one(ProgressLadder).show(run, self.snapshot.pace, self.owner.wall())
        if what in ("run", "point", "all"):
            self._draw()
        if what in ("clock", "all", "run", "point"):
            self._compute_if_due()
            self._conclude()
        if what in ("log", "all"):
            self.query_one(LogLines).show(self.snapshot.log)

    def _draw(self) -> None:
        """Draw the loop; only when a point came or the run moved on."""
        run = self.snapshot.run
        self.query_one("#loop").set_class(run is None, "no-run")
        if run is None:
            return
        plot, axes = self.query_one(LoopPlot), self.query_one(Axes)
        other = LEGEND_OF_PASSAGES if "programme" in run else LEGEND
        self.query_one("#legend-line", Lines).show(COIL_LEGEND if weighs_coil(run) else other)
        if weighs_coil(run):
            axes.show(self._why_no_M or axes_words(self._coil))
            self.query_one(CoilPulls).show_look(self._coil)
            plot.draw_loop(dots(self._coil) if self._coil is not None else ())
            return
        fields = [step["H_applied_A_per_m"] * 1e-3 for step in run["steps"] if step["H_applied_A_per_m"]]
        reach = (min(fields), max(fields)) if fields else None
        if self._shows_pull or (self._found is None and self._result is None):
            # The process that computes takes a few seconds to begin: until then what needs no computing.
            how = "m: M" if self._shows_pull else "M follows"
            axes.show(self._why_no_M or f"pull, g, against applied field, kA/m   {how}")
            plot.draw_loop(*pull_dots(run), reach, passages="programme" in run)
        elif self._result is not None and "programme" in run:
            picture = programme_pictures(self._result)[0]
            axes.show(f"{picture.axes}   m: pull")
            self.query_one("#legend-line", Lines).show(picture.legend)
            plot.draw_picture(picture)
        elif self._result is not None:
            axes.show("M against internal field, both kA/m   m: pull")
            rows = loop_points(self._result)
            plot.draw_loop(
                [Dot(p.H * 1e-3, p.M * 1e-3, p.u * 1e-3, p.orientation, p.leg, not p.used) for p in rows]
            )
        else:
            assert self._found is not None
            axes.show("M against applied field, both kA/m   m: pull")
            plot.draw_loop(*magnetisation_dots(run, self._found), reach, passages="programme" in run)
        self._move_now()

    def _move_now(self) -> None:
        """The reading under way, where it stands in the plot."""
        now, place = under_way(self.snapshot), None
        if now is not None and not weighs_coil(self.snapshot.run):
            step, pull = now
            found = {} if self._found is None else self._found.per_pull
            by_pull = 1e6 if self._shows_pull or self._found is None else found.get(step["step"])
            if by_pull is not None:
                place = (step["H_applied_A_per_m"] or 0.0) * 1e-3, pull * by_pull * 1e-3
        self.query_one(LoopPlot).move_now(place)

    def _compute_if_due(self) -> None:
        """The magnetisation again where something came."""
        run = self.snapshot.run
        if run is None or self._shows_pull or self._result is not None:
            return
        of = (run["id"], run["steps_done"], len(run["points"]), asides(run))
        other = not isinstance(self._of, tuple) or self._of[0] != run["id"]
        if of != self._of and (other or time.monotonic() - self._started > self._took / WORK_SHARE):
            if other:
                self._found = self._coil = None
                self._draw()
            self._of = of
            self._compute(run)

    @work(thread=True, exclusive=True, group="loop")
    def _compute(self, run: Run) -> None:
        self._started, self._took = time.monotonic(), float("inf")
        worker = get_current_worker()
        found, why = None, ""
        try:
            found = coil_look(run) if weighs_coil(run) else magnetisation(run)
        except NotYet as error:
            why = str(error)
        self._took = time.monotonic() - self._started
        if not worker.is_cancelled:
            self.app.call_from_thread(self._take_magnetisation, found, why)

    def _take_magnetisation(self, found: Magnetised | CoilLook | None, why: str) -> None:
        if isinstance(found, CoilLook):
            self._coil = found
        else:
            self._found = found or self._found
        self._why_no_M = why
        self._draw()

    # Where a run ends.

    def _conclude(self) -> None:
        """Figures of a run that is over, begun by themselves; until then nothing of it."""
        run = self.snapshot.run
        if run is None or run["state"] not in ENDED:
            self._finished = self._result = None
            return
        of = run["id"], len(run["points"]), asides(run)
        if of != self._finished:
            self._finished, self._result = of, None
            self._begun, self._stage = time.monotonic(), ""
            self._figure(run)
        self.query_one(FinishCard).show(run, self._result, self._stage, time.monotonic() - self._begun)

    @work(thread=True, exclusive=True, group="figures")
    def _figure(self, run: Run) -> None:
        worker = get_current_worker()
        result, stage = None, ""
        try:
            result = coil_look(run) if weighs_coil(run) else analyse_run(run, self._hear_stage)
        except NotYet as why:
            stage = str(why)
        if not worker.is_cancelled:
            self.app.call_from_thread(self._take_figures, result, stage)

    def _hear_stage(self, stage: str) -> None:
        self._stage = f"{stage} ..."

    def _take_figures(self, result: Any, stage: str) -> None:
        self._result, self._stage = result, stage
        if isinstance(result, CoilLook):
            self._coil, self._why_no_M = result, ""
        self._conclude()
        self._draw()

    async def run_to_take(self) -> Run | None:
        return self.snapshot.run

    def action_next_sample(self) -> None:
        """The form, with the name after this one."""
        self.owner.action_new_run()

    async def action_all_figures(self) -> None:
        """To the figures of this run."""
        self.owner.opened = None
        await self.owner.action_view("figures")

    def action_what_is_drawn(self) -> None:
        """Draw the plain pull instead of the magnetisation, or back."""
        self._shows_pull = not self._shows_pull
        self._draw()
        self._compute_if_due()

    # What the keys do.

    @work
    async def action_confirm(self) -> None:
        """It is done; a question gets its answer from a list."""
        run = self.snapshot.run
        assert run is not None
        action = run["action"]
        choice = None
        if action["choices"]:
            # The last answer, the one that takes no reading on trust, is at hand.
            ask = Choose(action["text"], action["choices"], start=len(action["choices"]) - 1)
            picked = await self.app.push_screen_wait(ask)
            if picked is None:
                return
            choice = action["choices"][picked]
        await self.owner.act("run.confirm", choice=choice, code=action["code"])

    @work
    async def action_meter(self) -> None:
        """The coil's current as a meter shows it, in place of the one asked for."""
        run = self.snapshot.run
        assert run is not None
        asked = f"{1e3 * run['action'].get('current_A', 0.0):+.2f} mA"
        text = await self.app.push_screen_wait(AskText("What the meter shows:", asked, "take it"))
        if text is not None:
            await self.owner.act("run.confirm", choice=text, code="set-current")

    @work
    async def action_hold(self) -> None:
        await self.owner.act("run.hold", why="held at the screen")

    @work
    async def action_go_on(self) -> None:
        await self.owner.act("run.go_on")

    @work
    async def action_stop(self) -> None:
        question = "Stop this run for good? Its readings are kept; it cannot go on afterwards."
        if await self.app.push_screen_wait(AskYesNo(question, "stop the run", "not now")):
            await self.owner.act("run.stop", why="stopped at the screen")

    @work
    async def action_repeat(self) -> None:
        await self.owner.act("run.repeat")

    @work
    async def action_set_aside(self) -> None:
        run = self.snapshot.run
        assert run is not None
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


def magnetisation_dots(run: Run, found: Magnetised) -> tuple[list[Dot], list[Dot]]:
    """Readings taken and readings to come as magnetisation, both axes in kA/m."""
    taken, screened = [], {p.row: p for p in found.taken}
    for p in pulls(run):
        known = screened.get(p.point)
        if known is not None:
            aside = p.set_aside or not known.used
            taken.append(Dot(known.H * 1e-3, known.M * 1e-3, known.u * 1e-3, p.orientation, p.leg, aside))
        elif (each := found.per_pull.get(p.step)) is not None:
            M, u = p.pull * each, abs(p.u * each)
            taken.append(Dot(p.field * 1e-3, M * 1e-3, u * 1e-3, p.orientation, p.leg, p.set_aside))
    coming = [
        Dot((f.step["H_applied_A_per_m"] or 0.0) * 1e-3, f.pull * found.per_pull[f.step["step"]] * 1e-3)
        for f in foreseen(run)
        if f.step["step"] in found.per_pull
    ]
    return taken, coming
