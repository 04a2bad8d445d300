"""The real feed: the daemon's asynchronous client behind the screen's own words."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

from ...daemon.paths import socket_path
from ...daemon.protocol import TOPICS, JsonObject
from ...daemon.server.client import AsyncClient, ClientError, NoDaemon
from .follower import CallRefused, FeedLost


class SocketFeed:
    """Follows the daemon at one socket."""

    def __init__(self, path: str | None) -> None:
        """``path``: the daemon's socket; None: the user's own daemon."""
        self.path = path
        self.where = str(path or socket_path())
        self._client: AsyncClient | None = None

    async def connect(self) -> None:
        """Connect anew; raises FeedLost when nothing answers."""
        await self.close()
        try:
            self._client = await AsyncClient.connect(self.path)
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
        """Let go of the link; the daemon and its run go on."""
        client, self._client = self._client, None
        if client is not None:
            await client.close()


def _sentence(error: BaseException) -> str:
    """An error's words as a sentence."""
    text = str(error).strip() or type(error).__name__
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
