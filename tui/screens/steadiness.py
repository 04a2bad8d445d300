"""How steady the balance is: trace, settled band, spectrum, Allan deviation, verdict and what to try."""

from __future__ import annotations

import time
from itertools import takewhile
from math import nan
from statistics import median

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static
from textual.worker import get_current_worker

from ..format import MINUS, duration, grams, level, milligrams, two_figures
from ..keys import bindings
from ..state.compute import NotYet, SteadyLook, present_load
from ..state.compute_process import steady_look
from ..state.snapshot import bench_facts
from ..widgets.listing import Lines
from ..widgets.reading_panel import live_texts
from ..widgets.trace_plot import LogPlot, TracePlot
from .bench import ask_rezero
from .view import View

#: The trace is redrawn and judged again this often, s: drawing is what costs on a slow machine.
DRAWN_EVERY_S = 2.0
JUDGED_EVERY_S = 20.0
#: How far back the trace is drawn, s: long enough for draughts, short enough to see breathing.
WINDOW_S = 120.0


class SteadinessView(View):
    """Trace on top; below it the spectrum, the Allan deviation and the verdict."""

    PLACE = "steadiness"
    BINDINGS = bindings("steadiness")

    def __init__(self) -> None:
        super().__init__()
        self._look: SteadyLook | None = None
        self._judged = -JUDGED_EVERY_S
        self._whole_run = False
        self._drawn = -DRAWN_EVERY_S

    def body(self) -> ComposeResult:
        yield Lines(id="steady-line")
        yield Lines(id="trace-title")
        yield TracePlot()
        with Horizontal(id="curves"):
            with Vertical(id="spectrum-box"):
                yield Static("spectrum, mg/√Hz against Hz", classes="title", markup=False)
                yield LogPlot(id="spectrum")
            with Vertical(id="allan-box"):
                yield Static("Allan deviation, mg against s averaged", classes="title", markup=False)
                yield LogPlot(id="allan")
            yield Static(id="verdict", markup=False)

    def on_mount(self) -> None:
        self.set_class(True, "show-allan", "listening")

    def changed(self, what: str) -> None:
        if what in ("live", "clock", "all", "link"):
            self.query_one("#steady-line", Lines).show(self._line())
        if what in ("clock", "all"):
            if not self._whole_run and (what == "all" or time.monotonic() - self._drawn >= DRAWN_EVERY_S):
                self._draw_trace()
            if time.monotonic() - self._judged > JUDGED_EVERY_S or what == "all":
                self._judge()

    def _line(self) -> Text:
        """The one verdict, then the reading as it is."""
        live, linked = self.snapshot.live, self.snapshot.linked
        digits, state = live_texts(self.snapshot)
        text = Text()
        if digits == "---" or live is None or not linked:
            text.append(state.plain.splitlines()[0] + "\n", style="bold")
        else:
            words = headline(self._look) if self._look is not None else "Listening: keep still for a minute."
            text.append(words + "\n", style="bold")
        text.append(f"{digits.replace('-', MINUS)} g")
        if live is not None and live["value_kg"] is not None:
            _, decimals = bench_facts(self.snapshot.bench_text)
            text.append(f"   level {level(live['value_kg'], live['u_kg'], decimals + 1)}")
        if live is not None and live["breathing_Hz"]:
            text.append(f"   breathing every {1 / live['breathing_Hz']:.1f} s")
        return text

    def _draw_trace(self) -> None:
        self._drawn = time.monotonic()
        since = self.snapshot.trace[-1][0] - WINDOW_S if self.snapshot.trace else 0.0
        newest_first = takewhile(lambda reading: reading[0] >= since, reversed(self.snapshot.trace))
        _, decimals = bench_facts(self.snapshot.bench_text)
        readings = present_load(list(newest_first)[::-1], 10.0**-decimals * 1e-3)
        live = self.snapshot.live
        value = live["value_kg"] if live is not None else None
        u = live["u_kg"] if live is not None and value is not None else None
        middle = value if value is not None else median([m for _, m in readings]) if readings else 0.0
        title = "the load is changing"
        if len(readings) > 1:
            title = (
                f"mg from {grams(middle, 4)} g against s, last {duration(readings[-1][0] - readings[0][0])}"
            )
        if u is not None and len(readings) > 1:
            title += f"; dotted: level ± {milligrams(2 * u)} (95 %)"
        self.query_one("#trace-title", Lines).show(title)
        mg = [(m - middle) * 1e6 for _, m in readings]
        self.query_one(TracePlot).draw_trace([t for t, _ in readings], mg, None if u is None else 2e6 * u)

    @work(thread=True, exclusive=True, group="steadiness")
    def _judge(self) -> None:
        self._judged = time.monotonic()
        worker = get_current_worker()
        trace = list(self.snapshot.trace)
        _, decimals = bench_facts(self.snapshot.bench_text)
        try:
            look = steady_look(trace, 10.0**-decimals * 1e-3)
        except NotYet as why:
            if not worker.is_cancelled:
                self.app.call_from_thread(self._say, str(why))
            return
        if not worker.is_cancelled:
            self.app.call_from_thread(self._take, look)

    def _say(self, words: str) -> None:
        self._look = None
        self.set_class(True, "listening")
        self.query_one("#verdict", Static).update(words)
        self.query_one("#steady-line", Lines).show(self._line())

    def _take(self, look: SteadyLook) -> None:
        self._look = look
        self.set_class(False, "listening")
        self.query_one("#spectrum", LogPlot).draw_curve(*look.spectrum, look.breathing_Hz)
        self.query_one("#allan", LogPlot).draw_curve(*look.allan, look.best_time_s)
        self.query_one("#verdict", Static).update(verdict_text(look, self._kept()))
        self.query_one("#steady-line", Lines).show(self._line())

    def _kept(self) -> str:
        """What the log keeps of the bench's past, as the filter begins with it; empty if nothing yet."""
        notes = (line["text"] for line in reversed(self.snapshot.log) if line["kind"] == "noise")
        return next(notes, "").removeprefix("The bench ").removesuffix(".")

    @work(exclusive=True, group="overview")
    async def action_whole_run(self) -> None:
        """The whole run's readings, however many, or back to the last minutes."""
        run = self.snapshot.run
        if self._whole_run or run is None:
            self._whole_run = False
            self._draw_trace()
            return
        plot = self.query_one(TracePlot)
        answer = await self.owner.act("readings.overview", run=run["id"], slots=2 * plot.size.width)
        if answer is None:
            return
        self._whole_run = True
        self.query_one("#trace-title", Lines).show(f"run {run['id']}: readings, g, against minutes")
        low, high = ([nan if m is None else m * 1e3 for m in answer[key]] for key in ("low_kg", "high_kg"))
        plot.draw_overview(answer["time_s"], low, high)

    def action_which_plot(self) -> None:
        """Where there is room for one curve only: the other one."""
        self.toggle_class("show-allan")

    def action_again(self) -> None:
        """Forget the trace."""
        self.snapshot.trace.clear()
        self._say("Listening again ...")

    @work
    async def action_rezero(self) -> None:
        await ask_rezero(self)

    def action_copy(self) -> None:
        """Copy the verdict and its numbers."""
        if self._look is None:
            self.notify("No verdict to copy yet.")
            return
        words = f"{headline(self._look)}\n{verdict_text(self._look, self._kept()).plain}"
        self.app.copy_to_clipboard(words.replace("−", "-"))
        self.notify("Copied the verdict.")


def headline(look: SteadyLook) -> str:
    """The verdict in one line: what it is, and how long an accepted reading takes."""
    grade = look.verdict.partition(":")[0]
    wanted = milligrams(look.target_kg)
    if look.accepted_after:
        usual = max(1.0, median(look.accepted_after))
        return f"{grade.capitalize()}: a reading known to {wanted} takes about {duration(usual)} here."
    return f"{grade.capitalize()}: no reading became known to {wanted} in {duration(look.seconds)}."


def verdict_text(look: SteadyLook, kept: str) -> Text:
    """What was found, what to try, and what the lines in the curves mean; ``kept`` of the bench's past, where
    there is some, says more of it than the trace."""
    text = Text()
    _, _, rest = look.verdict.partition(": ")
    text.append("\n".join(part[:1].upper() + part[1:] for part in rest.split("; ")))
    if look.advice:
        text.append("\nTry: ", style="bold")
        text.append("; ".join(look.advice) + ".")
    if kept or look.past:
        text.append("\nThe bench ", style="bold")
        text.append(kept or look.past)
    for what, seconds in (
        ("breathing", look.breathing_Hz and 1 / look.breathing_Hz),
        ("best averaging", look.best_time_s),
    ):
        if seconds:
            text.append(f"\n│ {what}: {two_figures(seconds)} s")
    return text
