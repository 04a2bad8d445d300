"""Answers owed to people: given once what their word led to stands in the store."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Final, NamedTuple

from ...analysis.errors import WeighloopError
from ..procedure.events import BenchState

#: After so long the person hears that the store cannot be written, s of the machine's time.
PATIENCE: Final = 10.0


class Refused(WeighloopError):
    """What was asked for is not possible now; the message says why."""


#: Whether an answer is due, by the bench's state; or why it never will be.
Ready = Callable[[BenchState], bool | str]


def _nothing_waits(stage: BenchState) -> bool:
    return not stage.unrecorded and not stage.told


class _Promise(NamedTuple):
    future: Future[Any]
    deadline: float
    ready: Ready
    heard: str


class PendingReplies:
    """The words that were heard and are not answered yet. One thread only."""

    def __init__(self) -> None:
        self._waiting: list[_Promise] = []

    def add(self, future: Future[Any], ready: Ready = _nothing_waits, *, heard: str = "heard") -> None:
        """A word was heard; ``future`` has its answer as soon as it is ``ready``.

        ``ready`` is True, False for not yet, or why it will never be. ``heard``: what holds meanwhile.
        """
        self._waiting.append(_Promise(future, time.monotonic() + PATIENCE, ready, heard))

    def keep(self, stage: BenchState) -> None:
        """Answer whatever can be answered now."""
        for promise in list(self._waiting):
            ready = promise.ready(stage)
            if isinstance(ready, str):
                promise.future.set_exception(Refused(ready))
            elif ready:
                promise.future.set_result(True)
            elif time.monotonic() > promise.deadline:
                words = f"{promise.heard}, but the store cannot be written now; see the status"
                promise.future.set_exception(Refused(words))
            else:
                continue
            self._waiting.remove(promise)


class EntriesOnTheWay:
    """Counts the entries handed to the writer and those it has answered. One thread only."""

    def __init__(self) -> None:
        self._handed = self._answered = 0
        self._refused: dict[int, str] = {}

    def handed(self) -> int:
        """One more is handed over; its number."""
        self._handed += 1
        return self._handed

    def answered(self, number: int, refused: str = "") -> None:
        """It is committed, or ``refused`` by the store for good, and why."""
        self._answered += 1
        if refused:
            self._refused[number] = refused

    def ready(self) -> Ready:
        """Whether all that is on its way now has been answered; why not where one was refused."""
        first, last = self._answered + 1, self._handed

        def ready(stage: BenchState) -> bool | str:
            why = next((self._refused[n] for n in range(first, last + 1) if n in self._refused), True)
            return self._answered >= last and why

        return ready
