"""The one place that owns the daemon's client: connects, follows, connects again, and coalesces."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Any, Protocol

from ...analysis.errors import WeighloopError
from ...daemon.paths import socket_path
from ...daemon.protocol import ERROR_NOT_IN_CONTROL, TOPICS, JsonObject
from ...daemon.server.client import AsyncClient, ClientError, NoDaemon
from .snapshot import LiveSnapshot


class FeedLost(WeighloopError):
    """The daemon does not answer (any more); the message says where it was looked for."""


class CallRefused(WeighloopError):
    """The daemon answered with an error; ``code`` is the protocol's."""

    def __init__(self, code: int, message: str) -> None:
        self.code = code
        super().__init__(message)

    @property
    def not_in_control(self) -> bool:
        """Another client is in control."""
        return self.code == ERROR_NOT_IN_CONTROL


class Feed(Protocol):
    """What the screen needs of a daemon. Tests drive the screen with one of their own."""

    #: Where the daemon is, for a person.
    where: str

    async def connect(self) -> None:
        """Connect; raises FeedLost."""
        ...

    async def call(self, method: str, **params: Any) -> Any:
        """One call of the protocol; raises CallRefused or FeedLost."""
        ...

    def events(self) -> AsyncIterator[JsonObject]:
        """Subscribed events until the link is lost (FeedLost)."""
        ...

    async def close(self) -> None:
        """Release the link. Never stops a run."""
        ...


class Follower:
    """Keeps a picture up to date from a feed, and says what changed through ``post(what)``.

    ``live`` is only marked here: who paints asks ``take_live`` at its own, slower pace.
    """

    #: Growing waits between attempts to connect, in s; the last one indefinitely.
    WAITS = (0.5, 1.0, 2.0, 5.0)

    def __init__(self, feed: Feed, snapshot: LiveSnapshot, post: Callable[[str], None]) -> None:
        self.feed = feed
        self.snapshot = snapshot
        self.post = post
        self._live_is_new = False

    def take_live(self) -> bool:
        """True once after each change of the live reading."""
        new, self._live_is_new = self._live_is_new, False
        return new

    async def refresh(self) -> None:
        """Ask for the whole picture."""
        self.snapshot.take(await self.feed.call("snapshot"))
        self._live_is_new = True
        self.post("all")

    async def follow(self) -> None:
        """Follow indefinitely; a lost link is shown and taken up again."""
        tries = 0
        while True:
            try:
                await self.feed.connect()
                await self.refresh()
                tries = 0
                await self._read()
                raise FeedLost(f"the daemon at {self.feed.where} has closed the link")
            except (FeedLost, CallRefused) as error:
                self.snapshot.lose(str(error))
                self.post("link")
            await asyncio.sleep(self.WAITS[min(tries, len(self.WAITS) - 1)])
            tries += 1

    async def _read(self) -> None:
        async for event in self.feed.events():
            topic = event["topic"]
            fits = self.snapshot.apply(topic, event["data"])
            # What was missed of the live reading is only a picture; anything else is asked for again.
            if not fits or (event.get("missed") and topic != "live"):
                await self.refresh()
            elif topic == "live":
                self._live_is_new = True
            else:
                self.post(topic)


class SocketFeed:
    """Follows the daemon at one socket."""

    def __init__(self, path: str | None, watch: bool = False) -> None:
        """``path``: the daemon's socket; None: the user's own daemon. ``watch``: give up acting at once."""
        self.path, self.watch = path, watch
        self.where = str(path or socket_path())
        self._client: AsyncClient | None = None

    async def connect(self) -> None:
        """Connect again; raises FeedLost when nothing answers."""
        await self.close()
        try:
            self._client = await AsyncClient.connect(self.path)
            if self.watch:
                await self._client.call("control.renounce")
        except (ClientError, OSError) as error:
            raise FeedLost(_sentence(error)) from error

    def _linked(self) -> AsyncClient:
        if self._client is None:
            raise FeedLost(f"No daemon answers at {self.where}.")
        return self._client

    async def call(self, method: str, **params: Any) -> Any:
        """One call; raises CallRefused with the daemon's own words, or FeedLost."""
        try:
            return await self._linked().call(method, **params)
        except (NoDaemon, OSError) as error:
            raise FeedLost(_sentence(error)) from error
        except ClientError as error:
            raise CallRefused(error.code, _sentence(error)) from error

    async def events(self) -> AsyncIterator[JsonObject]:
        """Events of every topic until the link is lost."""
        try:
            async for event in self._linked().events(TOPICS):
                yield event
        except (ClientError, OSError) as error:
            raise FeedLost(_sentence(error)) from error

    async def close(self) -> None:
        """Release the link; the daemon and its run go on."""
        client, self._client = self._client, None
        if client is not None:
            await client.close()


def _sentence(error: BaseException) -> str:
    """An error's words as a sentence."""
    text = str(error).strip() or type(error).__name__
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
