"""The keys of a card and what they do, each of them a place to click on."""

from __future__ import annotations

from textual.widgets import Static


class Hints(Static):
    """One line of hints; a click on one does what its key does."""

    ALLOW_SELECT = False

    def __init__(self, *hints: tuple[str, str], before: str = "") -> None:
        """``hints``: what is written, and the action of the card behind it; ``before`` is only said."""
        words = [f"[@click=screen.{action}]{said}[/]" for said, action in hints]
        super().__init__("   ".join([before, *words] if before else words), classes="hint")
