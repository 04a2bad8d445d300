"""Keys one after the other: the next one waits until what the one before has opened stands on the screen.

Over a slow line, and from quick hands, keys come faster than cards open. Without this, a note's text
would be taken for the keys of the view behind it: an ``h`` in it would hold the run.
"""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING, Final

from textual.events import Key, Paste
from textual.message import Message
from textual.worker import WorkerState

if TYPE_CHECKING:
    from textual.app import App
    from textual.message_pump import MessagePump

#: How long a key waits for the one before, s: where the daemon does not answer, the screen can yet be left.
PATIENCE_S: Final = 10.0
#: What counts of it at most between two looks, s: while the screen itself is at work nothing runs out.
STEP_S: Final = 0.1
#: Work that a key begins and that may open a card, close one or go to another view, by its group.
AWAITED: Final = frozenset({"default", "new-run", "start", "open-file", "open", "runs"})


class Passed(Message):
    """Goes the way of a key, behind it; at the app, all before it has been dealt with."""

    def __init__(self, done: asyncio.Event) -> None:
        self.done = done
        super().__init__()


class KeyQueue:
    """What has been typed and not been dealt with."""

    def __init__(self, app: App[None]) -> None:
        self._app = app
        self._typed: asyncio.Queue[Key | Paste] = asyncio.Queue()
        self._turn: Key | Paste | None = None

    def keeps(self, event: Message) -> bool:
        """Whether something has only just been typed: it is kept, and comes again when it is its turn."""
        if not isinstance(event, Key | Paste) or event.is_forwarded or event is self._turn:
            return False
        self._typed.put_nowait(event)
        return True

    async def hand_on(self) -> None:
        """Hand on what is typed, indefinitely."""
        app = self._app
        while True:
            self._turn = await self._typed.get()
            patience = Patience()
            taker = app.focused or app.screen
            app.post_message(self._turn)
            await _through(app, patience)
            for _ in range(2):  # the key itself, then what the taker says of it (pressed, chosen)
                await _through(taker, patience)
            while self._cards_are_due() and not patience.over():
                await asyncio.sleep(0.005)
            await _through(app.screen, patience)  # a new one has its focus then

    def _cards_are_due(self) -> bool:
        """Whether some work is on its way to a card; what has come to one waits there, each at its own."""
        at_work = sum(
            worker.state in (WorkerState.PENDING, WorkerState.RUNNING) and worker.group in AWAITED
            for worker in self._app.workers
        )
        return at_work > len(self._app.screen_stack) - 1


class Patience:
    """How long one key is waited for."""

    def __init__(self) -> None:
        self._left, self._looked = PATIENCE_S, time.monotonic()

    def over(self) -> bool:
        """Whether it has run out; asked again and again."""
        now = time.monotonic()
        self._left -= min(now - self._looked, STEP_S)
        self._looked = now
        return self._left < 0


async def _through(pump: MessagePump, patience: Patience) -> None:
    """Wait until all that a part of the screen was sent has been dealt with, up to the app."""
    done = asyncio.Event()
    going = pump.post_message(Passed(done))
    while going and not done.is_set() and not patience.over():
        try:
            await asyncio.wait_for(done.wait(), 0.05)
        except TimeoutError:
            going = pump.is_running and pump.is_attached  # what was closed meanwhile does not answer
