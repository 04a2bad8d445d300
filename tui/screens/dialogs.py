"""Small questions in front of a view: yes or no, a line of text, one of several."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from ..widgets.entry import Entry
from ..widgets.key_bar import Hints


class AskYesNo(ModalScreen[bool]):
    """A question with two answers; the harmless one has the focus."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "Yes"),
        Binding("n,escape", "answer(False)", "No"),
    ]

    def __init__(self, question: str, yes: str, no: str) -> None:
        super().__init__()
        self.question, self.yes, self.no = question, yes, no

    def compose(self) -> ComposeResult:
        with Vertical(classes="card"):
            yield Static(self.question, markup=False)
            with Horizontal(classes="buttons"):
                yield Button(f"n  {self.no}", id="no", compact=True)
                yield Button(f"y  {self.yes}", id="yes", compact=True)

    def on_mount(self) -> None:
        self.query_one("#no").focus()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        self.dismiss(event.button.id == "yes")

    def action_answer(self, answer: bool) -> None:
        self.dismiss(answer)


class AskText(ModalScreen[str | None]):
    """One line of text, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back")]

    def __init__(self, question: str, value: str = "", does: str = "write it") -> None:
        """``does``: what Enter does with the line."""
        super().__init__()
        self.question, self.value, self.does = question, value, does

    def compose(self) -> ComposeResult:
        with Vertical(classes="card"):
            yield Static(self.question, markup=False)
            yield Entry(self.value, compact=True)
            yield Hints((f"Enter: {self.does}", "submit"), ("Esc: back", "leave"))

    def on_input_submitted(self) -> None:
        self.action_submit()

    def action_submit(self) -> None:
        self.dismiss(self.query_one(Entry).value.strip() or None)

    def action_leave(self) -> None:
        self.dismiss(None)


class Choose(ModalScreen[int | None]):
    """One of several lines, by arrows and Enter or by mouse; gives its number."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Back")]

    def __init__(self, question: str, lines: Sequence[str], start: int = 0) -> None:
        super().__init__()
        self.question, self.lines, self.start = question, lines, start

    def compose(self) -> ComposeResult:
        with Vertical(classes="card wide"):
            yield Static(self.question, markup=False)
            yield OptionList(*[Option(line) for line in self.lines], markup=False, compact=True)
            yield Hints(("Esc: back", "leave"), before="arrows and Enter, or a click")

    def on_mount(self) -> None:
        self.query_one(OptionList).highlighted = self.start if self.lines else None

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(event.option_index)

    def action_leave(self) -> None:
        self.dismiss(None)
