"""Where the ticks of an axis stand, and what they say."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from textual_plot import NumericAxisFormatter
from textual_plot.axis_formatter import AxisFormatter

from ..format import MINUS


class PlainTicks(NumericAxisFormatter):
    """Round ticks with a minus sign."""

    def get_labels_for_ticks(self, ticks: Sequence[float]) -> list[str]:
        """As the library has them, but for the hyphen, and a zero that rounding left below nothing."""
        labels = super().get_labels_for_ticks(ticks)
        return [label.replace("-", MINUS) if float(label) else label.lstrip("-") for label in labels]


class RoundTicks(PlainTicks):
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


class DecadeFormatter(AxisFormatter):
    """Labels of an axis of common logarithms: decades, with 2 and 5 between where the axis is short."""

    def get_ticks(self, min_: float, max_: float, max_ticks: int = 8) -> list[float]:
        """Decades between the limits; with fewer than two of them also 2 and 5 times each."""
        decades = range(math.floor(min_), math.ceil(max_) + 1)
        ticks = [float(k) for k in decades if min_ <= k <= max_]
        # At the very edge a label of four digits would lose its last.
        if len(ticks) > 2 and 3.0 <= ticks[-1] > max_ - 0.04 * (max_ - min_):
            ticks.pop()
        if len(ticks) >= 2:
            return ticks
        finer = (k + math.log10(factor) for k in decades for factor in (1, 2, 5))
        return [tick for tick in finer if min_ <= tick <= max_]

    def get_labels_for_ticks(self, ticks: Sequence[float]) -> list[str]:
        """The numbers whose logarithms the ticks are."""
        return [f"{10**tick:.3g}" if tick < 3 else f"{10**tick:.0f}" for tick in ticks]
