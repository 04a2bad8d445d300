"""Short lists with a sign or a name in front, and lines that hang from it."""

from __future__ import annotations

from collections.abc import Iterable

from rich.table import Table
from rich.text import Text


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
