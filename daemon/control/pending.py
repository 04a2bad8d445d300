"""Answers owed to people: given once what their word led to stands in the store."""

from __future__ import annotations

import time
from concurrent.futures import Future
from typing import Any, Final

from ...analysis.errors import WeighloopError
from ..procedure.events import BenchState

#: After so long the person hears that the store cannot be written, s of the machine's time.
PATIENCE: Final = 10.0


class Refused(WeighloopError):
    """What was asked for is not possible now; the message says why."""


class PendingReplies:
    """The words that were heard and are not answered yet. One thread only."""

    def __init__(self) -> None:
        self._waiting: list[tuple[Future[Any], float]] = []

    def add(self, future: Future[Any]) -> None:
        """A word was heard; ``future`` will have its answer."""
        self._waiting.append((future, time.monotonic() + PATIENCE))

    def keep(self, stage: BenchState) -> None:
        """Answer whatever can be answered now."""
        for future, deadline in list(self._waiting):
            if not stage.unrecorded and not stage.told:
                future.set_result(True)
            elif time.monotonic() > deadline:
                future.set_exception(Refused("heard, but the store cannot be written now; see the status"))
            else:
                continue
            self._waiting.remove((future, deadline))
