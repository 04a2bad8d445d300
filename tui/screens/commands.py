"""What the command search offers: everything the keys do as things stand, the views, and the runs."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import Any, cast

from textual.command import DiscoveryHit, Hit, Hits, Provider

from ..format import date_time
from ..keys import KEYS, Key, offered, shown
from ..state.follower import CallRefused, FeedLost
from .view import Owner, View


class Commands(Provider):
    """Keys by their words; their names stand behind them, so that the search also teaches them."""

    def _found(self) -> list[tuple[str, str, Callable[[], Any]]]:
        view = self.screen
        if not isinstance(view, View):
            return []
        found = []
        for keys, owner in ((KEYS[view.PLACE], view), (KEYS["everywhere"], self.app)):
            for key in keys:
                if offered(key, view.situation()) and key.action != "command_palette":
                    found.append(
                        (words_of(key), key.sentence, partial(self.app.run_action, key.action, owner))
                    )
        return found

    async def discover(self) -> Hits:
        for words, sentence, do in self._found():
            yield DiscoveryHit(words, do, help=sentence)

    async def search(self, query: str) -> Hits:
        matcher = self.matcher(query)
        for words, sentence, do in self._found():
            score = max(matcher.match(words), 0.9 * matcher.match(sentence))
            if score > 0:
                yield Hit(score, matcher.highlight(words), do, help=sentence)


def words_of(key: Key) -> str:
    """A key's word for the search: ``Hold (h)``, and of a view its name."""
    return f"{key.word} ({shown(key)})"


class Runs(Provider):
    """Runs of the store by sample, number, date and note."""

    async def startup(self) -> None:
        try:
            self._lines = await cast("Owner", self.app).feed.call("runs.list")
        except (CallRefused, FeedLost):
            self._lines = []

    async def search(self, query: str) -> Hits:
        matcher = self.matcher(query)
        async for hit in self._hits(matcher):
            yield hit

    async def _hits(self, matcher: Any) -> AsyncIterator[Hit]:
        for line in reversed(self._lines):
            words = f"run {line['id']} {line['sample']} {date_time(line['started_utc'])}"
            notes = " ".join(line.get("notes", []))
            score = matcher.match(f"{words} {notes}")
            if score > 0:
                yield Hit(
                    score, matcher.highlight(words), partial(self._open, line["id"]), help=notes or None
                )

    async def _open(self, number: int) -> None:
        owner = cast("Owner", self.app)
        run = await owner.act("runs.get", run=number)
        if run is not None:
            owner.opened = run
            await owner.action_view("figures")
