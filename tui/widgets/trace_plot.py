"""Plots of the steadiness view: the live trace with its settled band, and curves on logarithmic axes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from textual_plot import HiResMode

from .loop_plot import LoopPlot
from .ticks import DecadeFormatter, PlainTicks


class TracePlot(LoopPlot):
    """The reading against time, with the settled level and its band."""

    def draw_trace(self, time_s: Sequence[float], mg: Sequence[float], band_mg: float | None) -> None:
        """Draw readings in mg from the level, against time in s before now; the band is ± ``band_mg``."""
        self.clear()
        self.visible = len(time_s) > 1
        if len(time_s) < 2:
            return
        t = np.asarray(time_s) - time_s[-1]
        y = np.asarray(mg)
        band = band_mg or 0.0
        self.set_xlimits(float(t[0]), 0.0)
        self.set_ylimits(*_roomy(min(float(y.min()), -band), max(float(y.max()), band)))
        if band_mg is not None:
            for edge in (-band, band):
                line = self.ink("secondary")
                self.plot([t[0], 0.0], [edge, edge], line_style=line, hires_mode=HiResMode.BRAILLE)
        self.plot(t, y, line_style=self.ink("primary"), hires_mode=HiResMode.BRAILLE)

    def draw_overview(self, time_s: Sequence[float], low: Sequence[float], high: Sequence[float]) -> None:
        """Draw a whole run thinned to slots: the lowest and the highest reading in each, in g."""
        self.clear()
        self.visible = bool(np.any(np.isfinite(low)))
        if not self.visible:
            return
        t = (np.asarray(time_s) - time_s[0]) / 60.0
        self.set_xlimits(float(t[0]), float(t[-1]))
        self.set_ylimits(*_roomy(float(np.nanmin(low)), float(np.nanmax(high))))
        for edge in (low, high):
            self.plot(t, edge, line_style=self.ink("primary"), hires_mode=HiResMode.BRAILLE)


def _roomy(low: float, high: float) -> tuple[float, float]:
    room = 0.08 * (high - low) or 1.0
    return low - room, high + room


class LogPlot(LoopPlot):
    """One curve on two logarithmic axes, with one place marked; not there before it has a curve."""

    def on_mount(self) -> None:
        self.display = False

    def draw_curve(self, x: Sequence[float], y: Sequence[float], mark: float | None = None) -> None:
        """Draw ``y`` against ``x``, both positive; ``mark`` is an x of interest."""
        self.clear()
        self.display = self.visible = len(x) > 1
        good = [(a, b) for a, b in zip(x, y, strict=True) if a > 0 and b > 0]
        self.set_x_formatter(DecadeFormatter() if good else PlainTicks())
        self.set_y_formatter(DecadeFormatter() if good else PlainTicks())
        if len(good) < 2:
            return
        lx = np.log10([a for a, _ in good])
        ly = np.log10([b for _, b in good])
        self.set_xlimits(float(lx.min()), float(lx.max()))
        self.set_ylimits(float(ly.min()) - 0.1, float(ly.max()) + 0.1)
        if mark is not None and mark > 0 and lx.min() <= math.log10(mark) <= lx.max():
            self.add_v_line(math.log10(mark), line_style=self.ink("secondary"))
        self.plot(lx, ly, line_style=self.ink("primary"), hires_mode=HiResMode.BRAILLE)
