"""What an uncertainty is made of: one bar an input, largest first."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual.widgets import Static

#: Eighths of a cell, for bars finer than a cell.
EIGHTHS = " ▏▎▍▌▋▊▉"
#: A bar shorter than this many cells says nothing: a long name gives way to it.
LEAST_BAR = 5


class BudgetBars(Static):
    """Shares of the variance as bars with their names and percentages."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id, markup=False)
        self.shares: list[tuple[str, float]] = []
        self.heading = ""

    def show(self, heading: str, shares: Sequence[tuple[str, float]]) -> None:
        """Draw the budget of one figure; shares as fractions of one."""
        self.heading, self.shares = heading, sorted(shares, key=lambda share: -share[1])
        self.refresh()

    def render(self) -> Text:
        return bars(self.heading, self.shares, self.size.width, self.size.height)


def bars(heading: str, shares: Sequence[tuple[str, float]], width: int, height: int) -> Text:
    """The text of a budget ``width`` by ``height``; what has no room is summed in its last line."""
    text = Text(no_wrap=True, overflow="ellipsis")
    text.append(heading, style="bold")
    room = max(1, height - 1)
    lines = list(shares)
    if len(lines) > room:
        rest = sum(share for _, share in lines[room - 1 :])
        lines = [*lines[: room - 1], (f"{len(shares) - room + 1} more", rest)]
    name_width = min(max(14, width - LEAST_BAR - 7), max((len(name) for name, _ in lines), default=0))
    bar_width = max(LEAST_BAR, width - name_width - 7)
    for name, share in lines:
        eighths = round(max(0.0, min(1.0, share)) * bar_width * 8)
        bar = "█" * (eighths // 8) + (EIGHTHS[eighths % 8] if eighths % 8 else "")
        shown = name if len(name) <= name_width else f"{name[: name_width - 1]}…"
        text.append(f"\n{shown:<{name_width}} ")
        text.append(f"{bar:<{bar_width}}", style="bold")
        text.append(f" {100 * share:>3.0f} %")
    return text
