"""What the pages know of the bench: asked of its daemon when somebody looks, and never for more than one."""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path
from typing import Any, NamedTuple

from ...daemon.protocol import Snapshot
from ...daemon.server.client import Client, ClientError

#: What was heard is shown to all who ask within this time, s.
FRESH = 0.5
#: The daemon answers within this time, s.
PATIENCE = 5.0


class BenchFacts(NamedTuple):
    """The daemon's status and snapshot at one moment."""

    status: dict[str, Any]
    snapshot: Snapshot


class BenchLink:
    """A client of the daemon at ``socket`` (None: the user's own) that only watches.

    However many look at the pages, the daemon is asked by one client, one question at a time.
    """

    def __init__(self, socket: Path | None) -> None:
        self._socket = socket
        self._client: Client | None = None
        self._one_at_a_time = asyncio.Lock()
        self._facts: BenchFacts | None = None
        self._heard = float("-inf")

    async def facts(self) -> BenchFacts:
        """How the bench is now. Raises ClientError where no daemon answers."""
        async with self._one_at_a_time:
            if self._facts is None or time.monotonic() - self._heard > FRESH:
                self._facts = await asyncio.to_thread(self._ask)
                self._heard = time.monotonic()
            return self._facts

    def _ask(self) -> BenchFacts:
        self._facts = None
        try:
            if self._client is None:
                self._client = Client.connect(self._socket, PATIENCE)
                self._client.call("control.renounce")
            return BenchFacts(self._client.call("status"), self._client.call("snapshot"))
        except ClientError:
            self.close()
            raise

    def close(self) -> None:
        """Leave the daemon."""
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.close()
            self._client = None
