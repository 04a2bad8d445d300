"""What the five views share: the line on top, the key row, and hearing of changes."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Protocol, cast

from textual.app import ComposeResult
from textual.css.query import NoMatches
from textual.screen import Screen

from ...daemon.protocol import Run
from ..keys import KEYS, offered
from ..state.follower import Feed
from ..state.snapshot import LiveSnapshot
from ..widgets.key_bar import KeyBar, keys_of
from ..widgets.top_bar import TopBar

#: Why keys that act are not there.
ONLY_WATCHES = "This screen only watches: it was opened with --watch, or with the key to watch."


class Owner(Protocol):
    """What a view asks of the app that shows it."""

    snapshot: LiveSnapshot
    feed: Feed
    opened: Run | None

    def wall(self) -> datetime:
        """The time of day here."""
        ...

    async def act(self, method: str, **params: Any) -> Any:
        """Call the daemon; None after a refusal, which is shown."""
        ...

    async def ask_again(self) -> None:
        """Ask the daemon for its whole state."""
        ...

    async def action_view(self, name: str) -> None:
        """Go to another view."""
        ...

    def action_new_run(self) -> None:
        """Open the form of a new run."""
        ...

    def notify(self, message: str, *, markup: bool = True) -> None:
        """Show a line for a while."""
        ...


#: From where on there is room for more: columns and rows.
BREAK_COLUMNS = [(0, "-narrow"), (100, "-wide")]
BREAK_ROWS = [(0, "-low"), (32, "-high")]


class View(Screen[None]):
    """A whole view. ``changed`` is called on the view in front, with what changed in the picture."""

    PLACE = ""
    HORIZONTAL_BREAKPOINTS: list[tuple[int, str]] | None = BREAK_COLUMNS
    VERTICAL_BREAKPOINTS: list[tuple[int, str]] | None = BREAK_ROWS

    @property
    def owner(self) -> Owner:
        """The app, as views know it."""
        return cast("Owner", self.app)

    @property
    def snapshot(self) -> LiveSnapshot:
        """What the screen knows."""
        return self.owner.snapshot

    def compose(self) -> ComposeResult:
        yield TopBar(self.PLACE)
        yield from self.body()
        note = ONLY_WATCHES if self.snapshot.only_watches else ""
        yield KeyBar(keys_of(self.PLACE, self.situation()), note)

    def situation(self) -> set[str]:
        """How things stand, in the words of ``keys``: what does nothing now is not offered."""
        return self.snapshot.situation

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Whether an action of this view does anything as things stand."""
        its = [key for key in KEYS.get(self.PLACE, ()) if key.action == action]
        return all(offered(key, self.situation()) for key in its)

    def show_keys(self) -> None:
        """Offer what does something now."""
        self.query_one(KeyBar).show(keys_of(self.PLACE, self.situation()))

    def body(self) -> ComposeResult:
        """What stands between the top line and the key row."""
        yield from ()

    #: How many parts the view has once it is whole; before that there is nothing to bring up to date.
    _parts = 0

    def on_mount(self) -> None:
        self._parts = len(self.query("*"))

    def on_screen_resume(self) -> None:
        self.call_after_refresh(self.show, "all")

    def show(self, what: str) -> None:
        """Bring the view up to date."""
        if not self._parts:
            return
        try:
            if what in ("all", "link", "device", "clock"):
                self.query_one(TopBar).show(self.snapshot)
            self.changed(what)
            if what in ("all", "run", "point", "link"):
                self.show_keys()
        except NoMatches:
            if len(self.query("*")) >= self._parts:
                raise
            # else the view is being taken down, part by part

    def changed(self, what: str) -> None:
        """Redraw what depends on ``what``: a topic of the protocol, ``all``, ``link`` or ``clock``."""
