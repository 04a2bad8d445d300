"""What taps on the pan say now, in figures that can be read from where the hands are."""

from __future__ import annotations

from typing import Final

from rich.text import Text
from textual.geometry import Size
from textual.widgets import Static

from ...daemon.protocol import Run, TapList, TapWord
from .big_digits import draw

#: Lines of one word, with the size of its figure, from the largest; the heading and the foot have one each.
ROOM: Final = ((6, 2), (4, 1), (3, 1), (2, 0), (1, 0))
TAP: Final = "●"
#: So many taps open the list; while it is not open, what has more of them answers a question.
OPEN: Final = 3


class TapCard(Static):
    """A number of taps and what it says, one below the other; as large as there is room for."""

    ALLOW_SELECT = False

    def __init__(self) -> None:
        super().__init__(markup=False)
        self._taps: TapList | None = None

    def show(self, taps: TapList | None) -> None:
        """Draw a list; nothing is redrawn where nothing changed."""
        if taps != self._taps:
            self._taps = taps
            self.refresh()

    def render(self) -> Text:
        taps = self._taps
        if taps is None:
            return Text()
        text = Text(no_wrap=True, overflow="ellipsis")
        text.append(f"{taps['title'] or 'Answer by taps on the pan'}\n", style="bold")
        for line in block(taps["words"], self.size):
            text.append_text(line).append("\n")
        return text.append(foot(taps), style="bold" if taps["heard"] or taps["unsure"] else "dim")


def block(words: list[TapWord], room: Size) -> list[Text]:
    """The words in the largest figures that ``room`` has a place for."""
    found: list[Text] = []
    for lines, size in ROOM:
        found = [line for word in words for line in drawn(word, size, lines, room.width)]
        if len(found) + 2 <= room.height and all(len(line) <= room.width for line in found):
            break
    return found


def drawn(word: TapWord, size: int, lines: int, width: int) -> list[Text]:
    """A word in so many lines, its number as a figure of ``size`` (0: as it is written), and as dots."""
    if size == 0:
        said = f"{word['taps']}  {word['text']}"
        dots = TAP * word["taps"] if len(said) + word["taps"] < width else ""
        return [Text(f"{said}{dots:>{width - len(said)}}", style="bold"), *[Text()] * (lines - 1)]
    dots = " ".join(TAP * word["taps"])
    figure = draw(str(word["taps"]), size)
    wide, middle = max(map(len, figure)), len(figure) // 2
    rows = [Text(f"{part:<{wide}}  ", style="bold") for part in figure]
    rows[middle].append(word["text"])
    rows[middle + 1].append(dots, style="not bold")
    return [*rows, *[Text()] * (lines - len(rows))]


def foot(taps: TapList) -> str:
    """What has been heard, that it was not clear, or what happens where nothing is tapped."""
    if taps["heard"]:
        return "heard  " + " ".join(TAP * taps["heard"])
    if taps["unsure"]:
        return "not clear how many: tap once more, evenly"
    return "another number, or no tap: nothing changes" if taps["open"] else "tap evenly, then pause"


def by_taps(run: Run | None) -> TapList | None:
    """What taps say now; None where nobody listens, or a daemon does not know of them yet."""
    return None if run is None else run.get("by_taps")


def asks(taps: TapList | None) -> bool:
    """Whether there is something to choose: an open list, or the answers to a question."""
    return taps is not None and (taps["open"] or any(word["taps"] > OPEN for word in taps["words"]))
