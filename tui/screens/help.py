"""Help: how a loop is weighed, and every key of the view it was asked from."""

from __future__ import annotations

from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from ..format import STATES
from ..keys import KEYS, Key, shown
from ..widgets.key_bar import Hints
from ..widgets.listing import listing

HOW: Final = {
    "run": (
        "The sentence on top says what to do next; HANDS OFF means that the bench works by itself. "
        "Hands-free, with spacers, the balance notices what you did; where it cannot, tap the pan twice "
        "with a finger, or press Enter. Three taps hold the run. "
        "Points run along passages, each one way; a loop's: in, out, turned in, out. "
        "A filled dot: field along the sample; an open dot: against it."
    ),
    "steadiness": (
        "Leave the sample off and keep still for a minute. The verdict says what disturbs the balance "
        "and what to try. The Allan deviation shows how far averaging helps: beyond its lowest point "
        "it does not."
    ),
    "figures": (
        "Figures appear as soon as the readings support them. ≥ marks a bound: the true value is at "
        "least as large. Choose a figure to see what its uncertainty is made of."
    ),
    "runs": ("Enter opens a run's figures. Mark two to six with space, then c draws them over each other."),
    "bench": "What is connected, what the bench file lacks, and what to check before the first run.",
}


class KeyLine(Static):
    """One key and what it does; a click is as good as the key."""

    ALLOW_SELECT = False

    def __init__(self, key: Key) -> None:
        super().__init__(listing([(f"{shown(key):<14}", key.sentence)], bold=True))
        self.key = key

    def on_click(self) -> None:
        self.screen.dismiss(self.key.action)


class Help(ModalScreen[str | None]):
    """One page; any of the leaving keys closes it. Gives the action whose line was clicked."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,question_mark,q,enter", "leave", "Back")]

    def __init__(self, place: str, watches: bool = False) -> None:
        """``watches``: the keys that act are left out."""
        super().__init__()
        self.place, self.watches = place, watches

    def compose(self) -> ComposeResult:
        with Vertical(classes="card wide"):
            with VerticalScroll():
                yield Static(HOW.get(self.place, ""))
                keys = [*KEYS.get(self.place, ()), *KEYS["everywhere"]]
                keys = [key for key in keys if not (key.acts and self.watches)]
                with Vertical(id="help-keys"):
                    yield from map(KeyLine, keys)
                yield Static(
                    "Signs: "
                    + "  ".join(f"{sign} {word}".replace(" ", "\u00a0") for sign, word in STATES.values()),
                    markup=False,
                )
                yield Static(
                    "The mouse works too: views, lists, keys below and here; the wheel zooms the plot."
                )
            yield Hints(("Esc: back", "leave"))

    def action_leave(self) -> None:
        self.dismiss(None)
