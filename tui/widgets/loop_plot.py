"""The loop as it fills in: pull or magnetisation against field."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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
from textual_plot import PlotWidget
from textual_plot.plot_widget import Legend

from .dot_sheet import MARKS, SHADES, DotSheet
from .picture import Dot, Picture
from .ticks import DecadeFormatter, RoundTicks

#: Where the reading under way stands.
NOW = "◆"
LEGEND = f"● along  ○ against  • first  {NOW} now  × aside"
#: Of another programme, which has no first curve.
LEGEND_OF_PASSAGES = LEGEND.replace("• first  ", "")


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

    Orientation shows by filled and open marks, so neither colour nor brightness is needed. The mouse wheel
    zooms.
    """

    #: What is drawn, and where the reading under way stands.
    _drawing: object = None
    _now: tuple[float, float] | None = None
    #: Points in the plot's units (n, 2), the mark ("": a line) and the colour, in the order of drawing.
    _fine: Sequence[tuple[np.ndarray, str, str]] = ()
    #: Of places in the plot's units the part of the largest value there is, for a map.
    _shade: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None

    def compose(self) -> ComposeResult:
        with Grid():
            for part in ("margin-top", "margin-left", "plot", "margin-bottom"):
                yield Sheet(1, 1, id=part)
        yield Legend(id="legend")

    def on_mount(self) -> None:
        self.visible = False  # until there is something to draw: axes alone say nothing
        self.margin_top, self.margin_bottom, self.margin_left = 0, 1, 7
        self._ticks(decades=False)
        self.set_y_formatter(RoundTicks(lambda: self.size.height // TICK_ROWS))

    def _ticks(self, *, decades: bool) -> None:
        even = RoundTicks(lambda: (self.size.width - self.margin_left) // TICK_CELLS)
        self.set_x_formatter(DecadeFormatter() if decades else even)

    def ink(self, name: str) -> str:
        """A colour of the present theme, for the plot's style strings."""
        variables = self.app.theme_variables
        colour, ground = Color.parse(variables[name]), Color.parse(variables["background"])
        return ground.blend(colour.with_alpha(1.0), colour.a).hex6

    def draw_loop(
        self,
        dots: Sequence[Dot],
        coming: Sequence[Dot] = (),
        fields: tuple[float, float] | None = None,
        *,
        passages: bool = False,
    ) -> None:
        """Draw a loop: a line per branch, marks by orientation, and thin what is to come. ``passages``: of
        another programme, a line per passage.

        The scale is that of the readings; what is only expected rules it while there are none. ``fields``:
        the range of x, where it is known beforehand. Nothing is drawn again where nothing changed, which also
        leaves the eye its zoom.
        """
        drawing = (tuple(dots), tuple(coming), fields, passages, self.app.theme)
        if drawing == self._drawing:
            return
        self._drawing = drawing
        self.clear()
        self._ticks(decades=False)
        self.visible = bool(dots or coming)
        quiet, strong = self.ink("foreground-muted"), self.ink("foreground")
        used = [dot for dot in dots if not dot.set_aside]
        self._axes(used or list(dots) or coming, fields)
        self._marks(coming, "dot", quiet)
        along, against = self.ink("primary"), self.ink("secondary")
        branches: list[tuple[tuple[int, ...], str]] = [((0,), quiet), ((3, 4), against), ((1, 2), along)]
        if passages:
            ways = {d.leg: d.orientation for d in used}
            branches = [((leg,), along if way > 0 else against) for leg, way in sorted(ways.items())]
        for legs, colour in branches:
            self._line([(d.x, d.y) for d in _chain(used, legs)], colour)
        for legs, colour in branches:
            first = legs == (0,) and not passages
            for sign, mark in ((1, "small" if first else "filled"), (-1, "open")):
                its = [d for d in used if d.leg in legs and d.orientation == sign]
                for d in its:
                    if d.u > 0:
                        self._line([(d.x, d.y - 2 * d.u), (d.x, d.y + 2 * d.u)], colour)
                self._marks(its, mark, colour)
        self._marks([dot for dot in dots if dot.set_aside], "aside", strong)

    def draw_picture(self, picture: Picture) -> None:
        """Draw a picture of a programme's result."""
        drawing = (picture, self.app.theme)
        if drawing == self._drawing:
            return
        self._drawing = drawing
        self.clear()
        self.visible = True
        self._ticks(decades=picture.decades)
        lines = (picture.reach, *(points for points, _ in picture.curves))
        shown = [Dot(*point) for points in lines for point in points]
        spread = [Dot(d.x, d.y + way * d.u) for d in picture.dots for way in (-2.0, 2.0)]
        self._axes([*shown, *spread], origin=picture.origin)
        self._shade = picture.shade
        for points, colour in picture.curves:
            self._line(points, self.ink(colour))
        for sign, mark, colour in ((1, "filled", self.ink("primary")), (-1, "open", self.ink("secondary"))):
            its = [d for d in picture.dots if d.orientation == sign]
            for d in its:
                if d.u > 0:
                    self._line([(d.x, d.y - 2 * d.u), (d.x, d.y + 2 * d.u)], colour)
            self._marks(its, mark, colour)

    def _line(self, points: Sequence[tuple[float, float]], colour: str) -> None:
        self._fine = (*self._fine, (np.array(points, dtype=float).reshape(-1, 2), "", colour))

    def _marks(self, dots: Sequence[Dot], mark: str, colour: str) -> None:
        if dots:
            self._fine = (*self._fine, (np.array([(d.x, d.y) for d in dots]), mark, colour))

    def _paint_fine(self) -> None:
        """Lines and marks at their places within the cells, then signs that fill one."""
        inner, sheets = self._scale_rectangle, list(self.query("#plot").results(Sheet))
        if not self._fine or not sheets or inner.width < 1 or inner.height < 1:
            return
        dots = DotSheet(inner.width, inner.height)
        signs: list[tuple[int, int, str, str]] = []
        for points, mark, colour in self._fine:
            x, y = self.get_hires_pixel_from_coordinate(points[:, 0], points[:, 1])  # pyright: ignore[reportArgumentType]
            x, y = np.asarray(x) - inner.x, np.asarray(y) - inner.y
            if not mark:
                dots.line(x, y, colour)
            elif mark in MARKS:
                dots.mark(x, y, mark, colour)
            else:
                cells = zip(np.floor(x).astype(int), np.floor(y).astype(int), strict=True)
                signs += [(int(column), int(row), mark, colour) for column, row in cells]
        for column, row, character, colour in (*dots.cells(), *signs, *self._shaded()):
            if 0 <= column < inner.width and 0 <= row < inner.height:
                sheets[0].set_pixel(column + inner.x, row + inner.y, character, colour)

    def _shaded(self) -> Iterator[tuple[int, int, str, str]]:
        """Column, row, character and colour of the cells of a map."""
        inner = self._scale_rectangle
        if self._shade is None:
            return
        rows, columns = np.mgrid[: inner.height, : inner.width] + 0.5
        x = self._x_min + columns / inner.width * (self._x_max - self._x_min)
        part = self._shade(x, self._y_max - rows / inner.height * (self._y_max - self._y_min))
        for row, column in zip(*np.nonzero(part > 0.0), strict=True):
            which = min(int(len(SHADES) * part[row, column]), len(SHADES) - 1)
            yield int(column), int(row), SHADES[which], self.ink("primary")

    def clear(self) -> None:
        """Take away all that is drawn."""
        self._fine, self._shade = (), None
        super().clear()

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
            self._paint_fine()
        self._lay_now()

    def draw_over(self, loops: Sequence[tuple[Sequence[Dot], str, str]]) -> None:
        """Draw several loops over each other: (dots, sign, colour name) each; a sign fills its cell."""
        self._drawing = None
        self.clear()
        self.visible = any(dots for dots, _, _ in loops)
        self._axes([dot for dots, _, _ in loops for dot in dots])
        each = [([d for d in dots if not d.set_aside and d.leg > 0], *how) for dots, *how in loops]
        for dots, _, colour in each:
            self._line([(d.x, d.y) for d in dots], self.ink(colour))
        for k, (dots, sign, colour) in enumerate(each):
            # Each loop's signs at other rows: two loops that lie on each other show both.
            self._marks(dots[2 * k % MARKER_EVERY :: MARKER_EVERY], sign, self.ink(colour))

    def _axes(
        self,
        dots: Sequence[Dot],
        fields: tuple[float, float] | None = None,
        origin: tuple[bool, bool] = (True, True),
    ) -> None:
        """Limits for the dots, with the ``origin`` of x and y in sight where wanted, and a cross there."""
        if not dots:
            self.set_xlimits(-1.0, 1.0)
            self.set_ylimits(-1.0, 1.0)
            return
        for values, limit, zero in (
            (fields or [d.x for d in dots], self.set_xlimits, origin[0]),
            ([d.y for d in dots], self.set_ylimits, origin[1]),
        ):
            low, high = min([*values, *[0.0] * zero]), max([*values, *[0.0] * zero])
            room = 0.06 * (high - low) or 1.0
            limit(low - room, high + room)
        cross = self.ink("foreground-disabled")
        if origin[1]:
            self._line([(self._x_min, 0.0), (self._x_max, 0.0)], cross)
        if origin[0]:
            self._line([(0.0, self._y_min), (0.0, self._y_max)], cross)


def _chain(dots: Sequence[Dot], legs: tuple[int, ...]) -> list[Dot]:
    """The dots of a branch in the order taken, with the turning point before it, which belongs to both."""
    first = next((k for k, dot in enumerate(dots) if dot.leg in legs), None)
    if first is None:
        return []
    chain = [dot for dot in dots if dot.leg in legs]
    if first > 0 and dots[first - 1].leg == legs[0] - 1:
        chain.insert(0, dots[first - 1])
    return chain
