"""Short lists with a sign or a name in front, and lines that hang from it."""

from __future__ import annotations

from collections.abc import Iterable

from rich.table import Table
from rich.text import Text
from textual.widgets import Static


def listing(rows: Iterable[tuple[str, str]], heading: str = "", bold: bool = False) -> Table:
    """A heading, then rows of (sign, words); longer words hang under their own beginning."""
    table = Table.grid(padding=(0, 1), expand=True)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1)
    if heading:
        table.title = Text(heading, style="bold")
        table.title_justify = "left"
    for sign, words in rows:
        table.add_row(Text(sign, style="bold" if bold else ""), Text(words, overflow="fold"))
    return table


class Lines(Static):
    """A text that changes often: the screen is laid out again only where it takes more or fewer lines."""

    _shown: Text | None = None

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes, markup=False)

    def show(self, text: Text | str) -> None:
        """Show a text; nothing is redrawn where nothing changed."""
        text = Text(text) if isinstance(text, str) else text
        old, self._shown = self._shown, text
        if text == old:
            return
        self.update(text, layout=self.styles.auto_dimensions and self._takes_other_room(old, text))

    def _takes_other_room(self, old: Text | None, new: Text) -> bool:
        before = [] if old is None else old.plain.split("\n")
        lines = new.plain.split("\n")
        return len(lines) != len(before) or any(len(line) > self.size.width for line in before + lines)
