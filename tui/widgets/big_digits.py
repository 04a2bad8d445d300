"""Large digits out of block characters, for reading from where the hands are.

Solid blocks in two sizes: Textual's own ``Digits`` are hairlines three lines high, which do not read from a
metre away.
"""

from __future__ import annotations

from typing import Final

from rich.text import Text
from textual.widgets import Static

#: A 3 x 5 raster for each character; ``#`` is ink.
RASTER: Final[dict[str, tuple[str, ...]]] = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "+": ("   ", " # ", "###", " # ", "   "),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    " ": (" ", " ", " ", " ", " "),
}


def draw(text: str, scale: int = 1) -> list[str]:
    """The lines of ``text``: three half-block lines at scale 1, five lines of double blocks at scale 2."""
    rows = [" ".join(RASTER.get(char, RASTER[" "])[k] for char in text) for k in range(5)]
    if scale == 2:
        return ["".join("██" if dot == "#" else "  " for dot in row).rstrip() for row in rows]
    rows.append(" " * len(rows[0]))
    halves = {"##": "█", "# ": "▀", " #": "▄", "  ": " "}
    return [
        "".join(halves[above + below] for above, below in zip(rows[k], rows[k + 1], strict=True)).rstrip()
        for k in (0, 2, 4)
    ]


class BigDigits(Static):
    """A number that takes the larger size where its width allows, with its unit in small behind it."""

    ALLOW_SELECT = False

    def __init__(self, *, id: str | None = None, largest: int = 2, unit: str = "") -> None:
        super().__init__(id=id, markup=False)
        self.largest = largest
        self.unit = unit
        self.text = ""

    async def on_click(self) -> None:
        """A click on a reading copies it."""
        if self.unit and hasattr(self.screen, "action_copy"):
            await self.run_action("screen.copy")

    def show(self, text: str) -> None:
        """Show a text of digits and signs; nothing is redrawn where nothing changed."""
        if text != self.text:
            self.text = text
            self.refresh()

    def render(self) -> Text:
        if not self.text:
            return Text("")
        lines = draw(self.text, 2)
        fits = max(map(len, lines)) + 1 + len(self.unit) <= self.size.width and len(lines) <= self.size.height
        if self.largest < 2 or not fits:
            lines = draw(self.text)
        lines[-1] = f"{lines[-1]:<{max(map(len, lines))}} {self.unit}"
        return Text("\n".join(lines), no_wrap=True, overflow="crop")
