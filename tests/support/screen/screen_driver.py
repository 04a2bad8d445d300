"""Driving the screen in tests: an app on a script, and what stands on it as plain text."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

from textual._context import visible_screen_stack
from textual.pilot import Pilot

import tests.support.screen.quick_textual  # noqa: F401
import tests.support.screen.scripted_daemon as S
from weighloop.tui.app import WeighloopApp

#: The time of day on the script.
NOON = datetime(2026, 3, 4, 12, 0)


class Stage:
    """An app under the pilot, its feed, and the messages it posted about actions."""

    def __init__(self, app: WeighloopApp, feed: S.ScriptedFeed, pilot: Pilot[Any]) -> None:
        self.app, self.feed, self.pilot = app, feed, pilot

    async def press(self, *keys: str) -> None:
        """Press keys, one after the other, each with its consequences."""
        for key in keys:
            await self.pilot.press(key)
        await self.pilot.pause()

    async def until(self, true: Callable[[], Any], patience: float = 90.0) -> None:
        """Wait for something to come true; computations run in threads."""
        end, nap = time.monotonic() + patience, 0.005
        # A pause of the pilot asks every widget whether it is done, the screen's text is all of it drawn: too
        # much to be asked all the time.
        while not true():
            await asyncio.sleep(nap)
            nap = min(1.5 * nap, 0.05)
            assert time.monotonic() < end, f"did not come true; on the screen:\n{self.text()}"
        await self.pilot.pause()

    async def still(self) -> None:
        """Wait until two looks at the screen, more than one of its beats apart, find the same."""
        before = None
        while before != (now := self.text()):
            before = now
            await self.pilot.pause(0.02)
            await self.pilot.pause()

    def text(self) -> str:
        """What stands on the screen, as plain text."""
        visible_screen_stack.set(self.app._background_screens)  # a card is drawn over the view behind it
        strips = self.app.screen._compositor.render_strips()
        return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips) + "\n"


@asynccontextmanager
async def stage(
    snapshot: Any = None,
    size: tuple[int, int] = (80, 24),
    hear: Any = None,
    feed: S.ScriptedFeed | None = None,
    cautions: bool | None = False,
    watch: bool = False,
) -> AsyncIterator[Stage]:
    """The screen on a script; its clock stands still. ``hear`` receives every message.

    What it says in a corner for some seconds stays: a slow machine may look late.
    """
    script = feed or S.ScriptedFeed(snapshot or S.snapshot(S.run_at(), S.live_at(100.0)))
    app = WeighloopApp(script, cautions=cautions, watch=watch, now=lambda: 50.0, wall=lambda: NOON)
    say: Any = app.notify
    app.notify = lambda *words, **how: say(*words, **{**how, "timeout": 600.0})
    async with app.run_test(size=size, message_hook=hear, notifications=True) as pilot:
        found = Stage(app, script, pilot)
        await found.until(lambda: script.absent or app.snapshot.linked)
        await pilot.pause()
        await pilot.pause()
        yield found


async def click(st: Stage, words: str) -> None:
    """Click on words that stand on the screen, once they stand still: what is above them may yet grow."""
    await st.still()
    await st.pilot.click(offset=place_of(st, words))
    await st.pilot.pause()


def place_of(st: Stage, words: str) -> tuple[int, int]:
    """Column and row just inside the words."""
    for row, line in enumerate(st.text().splitlines()):
        if words in line:
            return line.index(words) + 1, row
    raise AssertionError(f"{words!r} is not on the screen:\n{st.text()}")
