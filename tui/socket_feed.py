"""The real feed: the daemon's asynchronous client behind the screen's own words."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any

from ..daemon.protocol import TOPICS, JsonObject
from .feed import CallRefused, FeedLost

if TYPE_CHECKING:
    from ..daemon.client import AsyncClient


class SocketFeed:
    """Follows the daemon at one socket."""

    def __init__(self, path: str | None) -> None:
        self.path = path
        self.where = path or "the usual place"
        self._client: AsyncClient | None = None

    async def connect(self) -> None:
        """Connect anew; raises FeedLost when nothing answers."""
        from ..daemon.client import AsyncClient

        await self.close()
        try:
            self._client = await AsyncClient.connect(self.path)
        except (OSError, EOFError) as error:
            raise FeedLost(f"No daemon answers at {self.where}.") from error

    async def call(self, method: str, **params: Any) -> Any:
        """One call; raises CallRefused with the daemon's own words, or FeedLost."""
        from ..daemon.client import ClientError

        if self._client is None:
            raise FeedLost(f"No daemon answers at {self.where}.")
        try:
            return await self._client.call(method, **params)
        except ClientError as error:
            raise CallRefused(error.code, str(error)) from error
        except (OSError, EOFError) as error:
            raise FeedLost(f"The daemon at {self.where} has closed the link.") from error

    async def events(self) -> AsyncIterator[JsonObject]:
        """Events of every topic until the link is lost."""
        if self._client is None:
            raise FeedLost(f"No daemon answers at {self.where}.")
        try:
            async for event in self._client.events(TOPICS):
                yield event
        except (OSError, EOFError) as error:
            raise FeedLost(f"The daemon at {self.where} has closed the link.") from error

    async def close(self) -> None:
        """Let go of the link; the daemon and its run go on."""
        client, self._client = self._client, None
        if client is not None:
            await client.close()
