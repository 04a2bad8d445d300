"""The lowest line: the keys of a view with their words, each of them a place to click on."""

from __future__ import annotations

from collections.abc import Sequence

from textual.widgets import Static

from ..keys import KEYS

#: How a key is written where there is little room.
SHORT = {"enter": "⏎", "question_mark": "?", "escape": "Esc"}


class KeyBar(Static):
    """Always there as it was written: the library's own row is empty until the terminal has had the focus."""

    ALLOW_SELECT = False

    def __init__(self, keys: Sequence[tuple[str, str, str]]) -> None:
        """``keys``: the key, its word, and its action with ``screen.`` or ``app.`` in front."""
        words = [
            f"[@click={action}][bold $footer-key-foreground]{SHORT.get(key, key)}[/] {word}[/]"
            for key, word, action in keys
        ]
        super().__init__(" ".join(words))


def keys_of(place: str) -> list[tuple[str, str, str]]:
    """The keys of a place's row: its own first, then those that hold everywhere."""
    return [
        (key.keys.partition(",")[0], key.word, f"{owner}.{key.action}")
        for keys, owner in ((KEYS[place], "screen"), (KEYS["everywhere"], "app"))
        for key in keys
        if key.on_row
    ]


class Hints(Static):
    """One line of hints; a click on one does what its key does."""

    ALLOW_SELECT = False

    def __init__(self, *hints: tuple[str, str], before: str = "") -> None:
        """``hints``: what is written, and the action of the card behind it; ``before`` is only said."""
        words = [f"[@click=screen.{action}]{said}[/]" for said, action in hints]
        super().__init__("   ".join([before, *words] if before else words), classes="hint")
