"""A first paint on a script, for code that is run in a fresh interpreter."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from textual.pilot import Pilot

import tests.support.screen.scripted_daemon as S
from weighloop.tui.app import WeighloopApp


@asynccontextmanager
async def painted(readings: int, size: tuple[int, int]) -> AsyncIterator[tuple[S.ScriptedFeed, Pilot[Any]]]:
    """The run view with this many readings, its first paint done; waited for without a pause."""
    feed = S.ScriptedFeed(S.snapshot(S.run_at(readings), S.live_at(100.0)))
    app = WeighloopApp(feed, cautions=False)
    async with app.run_test(size=size) as pilot:
        while not app.snapshot.linked:
            await asyncio.sleep(0)
        await pilot.pause()
        yield feed, pilot
