"""The lowest line: the keys of a view with their words, each of them a place to click on."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rich.markup import escape
from textual.widgets import Static

from ..keys import KEYS, offered

#: How a key is written where there is little room.
SHORT = {"enter": "Enter", "question_mark": "?", "escape": "Esc", "ctrl+p": "^P", "slash": "/"}


class KeyBar(Static):
    """Always there as it was written: the library's own row is empty until the terminal has had the focus."""

    ALLOW_SELECT = False

    def __init__(self, keys: Sequence[tuple[str, str, str]], note: str = "") -> None:
        """``keys``: the key, its word, and its action with ``screen.`` or ``app.`` in front; ``note``: a line
        above them."""
        super().__init__()
        self._keys, self._note = list(keys), note

    def on_resize(self) -> None:
        self._lay()

    def show(self, keys: Sequence[tuple[str, str, str]]) -> None:
        """Other keys; nothing is redrawn where they are the same."""
        if list(keys) != self._keys:
            self._keys = list(keys)
            self._lay()

    def _lay(self) -> None:
        """As many lines as it takes; a key and its word stay on one."""
        lines, used = [[]], 0
        for key, word, action in self._keys:
            name = SHORT.get(key, key)
            takes = len(name) + len(word) + 2
            if used + takes > self.size.width + 1 and lines[-1]:
                lines.append([])
                used = 0
            used += takes
            lines[-1].append(f"[@click={action}][bold $footer-key-foreground]{name}[/] {word}[/]")
        above = [escape(self._note)] if self._note else []
        self.update("\n".join([*above, *(" ".join(line) for line in lines)]))


def keys_of(place: str, situation: Collection[str]) -> list[tuple[str, str, str]]:
    """The keys of a place's row that do something as things stand: its own first."""
    return [
        (key.keys.partition(",")[0], key.word, f"{owner}.{key.action}")
        for keys, owner in ((KEYS[place], "screen"), (KEYS["everywhere"], "app"))
        for key in keys
        if key.on_row and offered(key, situation)
    ]


class Hints(Static):
    """One line of hints; a click on one does what its key does."""

    ALLOW_SELECT = False

    def __init__(self, *hints: tuple[str, str], before: str = "") -> None:
        """``hints``: what is written, and the action of the card behind it; ``before`` is only said."""
        words = [f"[@click=screen.{action}]{said}[/]" for said, action in hints]
        super().__init__("   ".join([before, *words] if before else words), classes="hint")
