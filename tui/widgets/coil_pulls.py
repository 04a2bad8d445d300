"""A coil's pulls as they come: a line each gap, both ends side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from ..format import MINUS, NONE
from .listing import Lines
from .loop_plot import Dot

if TYPE_CHECKING:
    from ..state.coil_look import CoilLook, CoilStop

LEGEND = "● marked face up  ○ down  | two standard uncertainties"
#: Legs whose colours the plot gives to the two ends.
_LEG = {1: 1, -1: 3}


class CoilPulls(Lines):
    """The table."""

    def show_look(self, look: CoilLook | None) -> None:
        """Show it as it stands; None before there is anything."""
        self.show(table(look) if look is not None else "")


def table(look: CoilLook) -> Text:
    """Gap, then for either end that was down the pull and how far it is from the bench file or the fit; where
    the coil is moved sideways, the pull at each place."""
    off = "off u" if look.fitted else "off %"
    text = Text()
    if look.places:
        text.append(f"{'x mm':>7}{'y mm':>7}{'pull mg':>10}", style="dim")
        for x, y, pull in look.places:
            text.append(f"\n{1e3 * x:+7.2f}{1e3 * y:+7.2f}".replace("-", MINUS))
            text.append(f"{pull * 1e6:10.1f}", style="bold")
        return text
    text.append(f"{'':6}{'face up':>15}{'face down':>15}\n", style="dim")
    text.append(f"{'mm':>6}" + 2 * f"{'pull mg':>9}{off:>6}"[:15], style="dim")
    for gap in sorted({stop.gap for stop in look.stops}):
        text.append(f"\n{gap * 1e3:6.2f}")
        for end in (1, -1):
            its = [stop for stop in look.stops if stop.gap == gap and stop.end == end]
            _cells(text, its[-1] if its else None, look.fitted)
    return text


def _cells(text: Text, stop: CoilStop | None, fitted: bool) -> None:
    text.append(f"{NONE:>9}" if stop is None else f"{stop.pull * 1e6:9.1f}", style="bold")
    if stop is None or (fitted and stop.residual is None):
        text.append(f"{NONE:>6}")
    elif fitted:
        text.append(f"{stop.residual:+6.1f}")
    else:
        text.append(f"{100 * (stop.pull / stop.foreseen - 1):+6.2f}")


def axes_words(look: CoilLook | None) -> str:
    """What the plot shows."""
    if look is None:
        return "the coil's pulls follow, gap by gap"
    if look.places:
        return "the pull, the coil moved sideways"
    what = "residual / u of the fit" if look.fitted else "off the bench file, %"
    return f"{what}, over the gap, mm"


def dots(look: CoilLook) -> Sequence[Dot]:
    """The stops as dots of the plot, over the gap in mm."""
    found = []
    for stop in look.stops:
        if look.fitted and stop.residual is not None:
            found.append(Dot(stop.gap * 1e3, stop.residual, 1.0, stop.end, _LEG[stop.end]))
        elif not look.fitted:
            off, u = 100 * (stop.pull / stop.foreseen - 1), 100 * stop.u / stop.foreseen
            found.append(Dot(stop.gap * 1e3, off, u, stop.end, _LEG[stop.end]))
    return found
