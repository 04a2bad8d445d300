"""The loop as it fills in: pull or magnetisation against field."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
from rich.segment import Segment
from rich.style import Style
from textual.app import ComposeResult
from textual.color import Color
from textual.containers import Grid
from textual.geometry import Region
from textual.strip import Strip
from textual_hires_canvas import Canvas
from textual_plot import HiResMode, NumericAxisFormatter, PlotWidget
from textual_plot.plot_widget import Legend

FIRST, ALONG, AGAINST, ASIDE, NOW, NEXT = "•", "●", "○", "×", "◆", "+"
LEGEND = f"{FIRST}first {ALONG}along {AGAINST}against {NEXT}next {NOW}now {ASIDE}aside"


@dataclass(frozen=True)
class Dot:
    """One point of the plot in the plot's own units (kA/m, and g or kA/m)."""

    x: float
    y: float
    u: float = 0.0
    orientation: int = 1
    leg: int = 0
    set_aside: bool = False


class RoundTicks(NumericAxisFormatter):
    """Round ticks, no more of them than there is room for."""

    def __init__(self, room: Callable[[], int]) -> None:
        """``room``: how many labels have room now."""
        super().__init__()
        self.room = room

    def get_ticks(self, min_: float, max_: float, max_ticks: int = 8) -> list[float]:
        """The library's ticks, every second one left out until they fit; zero stays."""
        ticks = super().get_ticks(min_, max_, max_ticks)
        most = max(2, self.room())
        while len(ticks) > most:
            step = ticks[1] - ticks[0]
            ticks = [tick for tick in ticks if round(tick / step) % 2 == 0]
        return ticks


#: Where loops lie over each other only every so manieth dot has a marker.
MARKER_EVERY = 5

#: Cells a tick's label takes along an axis, with room between; and rows, where fewer would look uneven.
TICK_CELLS = 8
TICK_ROWS = 3


STRONG = Style(bold=True)


@dataclass(frozen=True)
class Overlay:
    """A character that lies over a sheet's drawing, in the cell ``x``, ``y``."""

    x: int
    y: int
    character: str


class Sheet(Canvas):
    """A canvas whose lines always have a style: without one the filter for NO_COLOR fails.

    Over its drawing may lie one mark, which moves without anything being drawn again.
    """

    _mark: Overlay | None = None

    def lay(self, mark: Overlay | None) -> None:
        """Lay the mark there, or take it away (None); only the lines it leaves and comes to are painted."""
        old, self._mark = self._mark, mark
        if mark != old:
            lines = {one.y for one in (old, mark) if one is not None}
            self.refresh(*[Region(0, y, self.size.width, 1) for y in lines])

    def render_line(self, y: int) -> Strip:
        strip = super().render_line(y)
        if not strip.cell_length:
            return Strip.blank(self.size.width, self.rich_style)
        mark = self._mark
        if mark is None or mark.y != y or not 0 <= mark.x < strip.cell_length:
            return strip
        before, _, after = strip.divide([mark.x, mark.x + 1, strip.cell_length])
        return Strip.join([before, Strip([Segment(mark.character, self.rich_style + STRONG)]), after])


class LoopPlot(PlotWidget, can_focus=False, inherit_bindings=False):
    """The plot widget with our drawing order: what matters most is drawn last.

    A later series blanks earlier dots in the same cell. Orientation is shown by filled and open
    dots, so neither colour nor brightness is needed. The mouse wheel zooms.
    """

    #: What is drawn, and where the reading under way stands.
    _drawing: object = None
    _now: tuple[float, float] | None = None

    def compose(self) -> ComposeResult:
        with Grid():
            for part in ("margin-top", "margin-left", "plot", "margin-bottom"):
                yield Sheet(1, 1, id=part)
        yield Legend(id="legend")

    def on_mount(self) -> None:
        self.visible = False  # until there is something to draw: axes alone say nothing
        self.margin_top, self.margin_bottom, self.margin_left = 0, 1, 7
        self.set_x_formatter(RoundTicks(lambda: (self.size.width - self.margin_left) // TICK_CELLS))
        self.set_y_formatter(RoundTicks(lambda: self.size.height // TICK_ROWS))

    def ink(self, name: str) -> str:
        """A colour of the present theme, for the plot's style strings."""
        variables = self.app.theme_variables
        colour, ground = Color.parse(variables[name]), Color.parse(variables["background"])
        return ground.blend(colour.with_alpha(1.0), colour.a).hex6

    def draw_loop(self, dots: Sequence[Dot], coming: Sequence[Dot] = ()) -> None:
        """Draw a loop: lines per passage, dots by orientation, and what is to come.

        Nothing is drawn again where nothing changed, which also leaves the eye its zoom.
        """
        drawing = (tuple(dots), tuple(coming), self.app.theme)
        if drawing == self._drawing:
            return
        self._drawing = drawing
        self.clear()
        self.visible = bool(dots or coming)
        quiet, strong = self.ink("foreground-muted"), self.ink("foreground")
        used = [dot for dot in dots if not dot.set_aside]
        self._axes([*dots, *coming])
        if coming:
            self._scatter(coming, NEXT, quiet)
        for legs, colour in (((0,), quiet), ((3, 4), self.ink("secondary")), ((1, 2), self.ink("primary"))):
            branch = _chain(used, legs)
            if len(branch) > 1:
                self.plot(
                    [d.x for d in branch],
                    [d.y for d in branch],
                    line_style=colour,
                    hires_mode=HiResMode.BRAILLE,
                )
            for sign, marker in ((1, FIRST if legs == (0,) else ALONG), (-1, AGAINST)):
                self._scatter([d for d in used if d.leg in legs and d.orientation == sign], marker, colour)
        self._scatter([dot for dot in dots if dot.set_aside], ASIDE, strong)

    def move_now(self, place: tuple[float, float] | None) -> None:
        """Show where the reading under way stands (None: there is none); quick, for every reading."""
        self._now = place
        self._lay_now()

    def _lay_now(self) -> None:
        mark = None if self._now is None else Overlay(*self.get_pixel_from_coordinate(*self._now), NOW)
        for sheet in self.query("#plot").results(Sheet):
            sheet.lay(mark)

    def _render_plot(self) -> None:
        """As the library does, but each sheet asks for its repaint once and not for every dot."""
        with ExitStack() as whole:
            for sheet in self.query(Sheet):
                whole.enter_context(sheet.batch_refresh())
            super()._render_plot()
        self._lay_now()

    def draw_over(self, loops: Sequence[tuple[Sequence[Dot], str, str]]) -> None:
        """Draw several loops over each other: (dots, marker, colour name) each."""
        self._drawing = None
        self.clear()
        self.visible = any(dots for dots, _, _ in loops)
        self._axes([dot for dots, _, _ in loops for dot in dots])
        for dots, _, colour in loops:
            used = [dot for dot in dots if not dot.set_aside and dot.leg > 0]
            if len(used) > 1:
                self.plot(
                    [d.x for d in used],
                    [d.y for d in used],
                    line_style=self.ink(colour),
                    hires_mode=HiResMode.BRAILLE,
                )
        for k, (dots, marker, colour) in enumerate(loops):
            used = [d for d in dots if not d.set_aside and d.leg > 0]
            # Each loop's markers at other rows: two loops that lie on each other show both.
            self._scatter(used[2 * k % MARKER_EVERY :: MARKER_EVERY], marker, self.ink(colour))

    def _axes(self, dots: Sequence[Dot]) -> None:
        if not dots:
            self.set_xlimits(-1.0, 1.0)
            self.set_ylimits(-1.0, 1.0)
            return
        for values, limit in (
            ([d.x for d in dots], self.set_xlimits),
            ([d.y for d in dots], self.set_ylimits),
        ):
            low, high = min([*values, 0.0]), max([*values, 0.0])
            room = 0.06 * (high - low) or 1.0
            limit(low - room, high + room)
        x_low, x_high, y_low, y_high = self._x_min, self._x_max, self._y_min, self._y_max
        cross = self.ink("foreground-disabled")
        self.plot([x_low, x_high], [0.0, 0.0], line_style=cross, hires_mode=HiResMode.BRAILLE)
        self.plot([0.0, 0.0], [y_low, y_high], line_style=cross, hires_mode=HiResMode.BRAILLE)

    def _scatter(self, dots: Sequence[Dot], marker: str, style: str) -> None:
        if dots:
            self.errorbar(
                np.array([d.x for d in dots]),
                np.array([d.y for d in dots]),
                yerr=np.array([2 * d.u for d in dots]),
                marker=marker,
                marker_style=style,
            )


def _chain(dots: Sequence[Dot], legs: tuple[int, ...]) -> list[Dot]:
    """The dots of a branch in the order taken, with the turning point before it, which belongs to both."""
    first = next((k for k, dot in enumerate(dots) if dot.leg in legs), None)
    if first is None:
        return []
    chain = [dot for dot in dots if dot.leg in legs]
    if first > 0 and dots[first - 1].leg == legs[0] - 1:
        chain.insert(0, dots[first - 1])
    return chain
