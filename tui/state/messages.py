"""What the feed tells the screens: tiny messages, the picture itself is asked for the rest."""

from __future__ import annotations

from textual.message import Message


class SnapshotChanged(Message):
    """Something of the picture changed; ``what`` is a topic of the protocol, ``all`` or ``link``."""

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__()

    def can_replace(self, message: Message) -> bool:
        """A newer word on the same topic makes an older one needless, so a burst cannot bury the screen."""
        return isinstance(message, SnapshotChanged) and message.what == self.what


class ActionDone(Message):
    """The daemon did what was asked (``error`` empty), or said why not."""

    def __init__(self, method: str, error: str = "") -> None:
        self.method = method
        self.error = error
        super().__init__()
