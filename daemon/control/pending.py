"""Answers owed to people: given once what their command led to stands in the store."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, NamedTuple

from ...analysis.errors import WeighloopError
from ..procedure.events import BenchState
from .settings import REPLY_WITHIN


class Refused(WeighloopError):
    """What was asked for is not possible now; the message says why."""


#: Whether an answer is due, by the bench's state; or why it never will be.
Ready = Callable[[BenchState], bool | str]


def _nothing_waits(stage: BenchState) -> bool:
    return not stage.unrecorded and not stage.confirmed_by


class _Waiting(NamedTuple):
    future: Future[Any]
    deadline: float
    ready: Ready
    so_far: str


class PendingReplies:
    """The commands that were received and are not answered yet. One thread only."""

    def __init__(self) -> None:
        self._waiting: list[_Waiting] = []

    def add(self, future: Future[Any], ready: Ready = _nothing_waits, *, so_far: str = "") -> None:
        """A command was received; ``future`` has its answer as soon as it is ``ready``.

        ``ready`` is True, False for not yet, or why it will never be. ``so_far``: what is so meanwhile.
        """
        waiting = _Waiting(future, time.monotonic() + REPLY_WITHIN, ready, so_far or "Command received")
        self._waiting.append(waiting)

    def resolve(self, stage: BenchState) -> None:
        """Answer whatever can be answered now."""
        for waiting in list(self._waiting):
            ready = waiting.ready(stage)
            if isinstance(ready, str):
                waiting.future.set_exception(Refused(ready))
            elif ready:
                waiting.future.set_result(True)
            elif time.monotonic() > waiting.deadline:
                words = f"{waiting.so_far}, but not saved: the store cannot be written (see `status`)"
                waiting.future.set_exception(Refused(words))
            else:
                continue
            self._waiting.remove(waiting)
