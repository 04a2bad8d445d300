"""The last events, newest at the bottom, as many as there is room for."""

from __future__ import annotations

from collections.abc import Iterable

from rich.text import Text
from textual.widgets import Static

from ...daemon.protocol import LogLine
from ..format import clock_time


class LogLines(Static):
    """The tail of the log, one event a line, cut where the line ends."""

    def __init__(self) -> None:
        super().__init__(markup=False)
        self._log: list[LogLine] = []

    def show(self, log: Iterable[LogLine]) -> None:
        """Draw the tail of a log."""
        self._log = list(log)
        self.refresh()

    def render(self) -> Text:
        lines = self._log[-max(1, self.size.height) :]
        words = (clock_time(line["utc"]) + " " + line["text"].replace("\n", " ") for line in lines)
        return Text("\n".join(words), no_wrap=True, overflow="ellipsis")
