"""What can hurt a person or a thing at this bench; shown before first use."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Button, Static

CAUTIONS: Final = (
    ("Pinching", "Magnets of this size jump together from several centimetres and crush a finger."),
    (
        "Shattering",
        "Sintered magnets break like glass when they meet. Wear eye protection, bring them slowly.",
    ),
    (
        "Pacemakers",
        "Keep magnets away from pacemakers, defibrillators and other implants, and from their bearers.",
    ),
    (
        "Cards and scales",
        "Keep cards, watches and the balance's own electronics away: stand the magnet on a riser.",
    ),
    (
        "Moving lift",
        "A lift moves without warning while a run goes on. Keep fingers and hair out of the gap.",
    ),
    (
        "Emergency stop",
        "Know where the lift's power switch is before you start. s on the run view stops a run.",
    ),
    (
        "Flying off",
        "Where the pull exceeds what stands on the pan, the magnet lifts off and slams into the sample.",
    ),
)

CLOSING: Final = (
    "This is no safety advice for your place of work: local codes, "
    "and the practice of licensed people, go before it."
)


class Cautions(ModalScreen[bool]):
    """The cautions, one by one, with a button that says that they are read."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter,escape", "read", "I have read this")]

    def compose(self) -> ComposeResult:
        with VerticalScroll(classes="card wide", can_focus=False):
            yield Static("[b]Before you begin[/b]")
            for title, words in CAUTIONS:
                yield Static(f"[b]! {title}.[/b] {words}", classes="caution")
            yield Static(CLOSING, classes="caution hint")
            yield Button("Enter  I have read this", compact=True)

    def on_mount(self) -> None:
        self.query_one(Button).focus()

    def on_button_pressed(self) -> None:
        self.action_read()

    def action_read(self) -> None:
        self.dismiss(True)


class TwinNotice(ModalScreen[bool]):
    """One line in front of a run on the bench twin; the run begins when it is read."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter,escape", "read", "Begin")]

    def __init__(self, words: str) -> None:
        super().__init__()
        self.words = words

    def compose(self) -> ComposeResult:
        with VerticalScroll(classes="card", can_focus=False):
            yield Static(self.words, markup=False)
            yield Button("Enter  Begin", compact=True)

    def on_mount(self) -> None:
        self.query_one(Button).focus()

    def on_button_pressed(self) -> None:
        self.action_read()

    def action_read(self) -> None:
        self.dismiss(True)


def memory() -> Path:
    """Where it is kept that this user has read the cautions."""
    import platformdirs

    return Path(platformdirs.user_state_dir("weighloop")) / "cautions-read"


def were_read() -> bool:
    """Whether this user has read them."""
    return memory().exists()


def remember() -> None:
    """Keep that they were read; where that cannot be written they are simply shown again."""
    try:
        memory().parent.mkdir(parents=True, exist_ok=True)
        memory().touch()
    except OSError:
        pass
