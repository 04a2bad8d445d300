"""Entries of the log on their way into the store, and what the writer answers."""

from __future__ import annotations

from collections.abc import Callable

from ...drivers.clock import Clock
from ..procedure.events import BenchState, Record
from ..procedure.run import LogEvent
from ..store.writer import LogWriter
from .pending import Ready


class EntriesOnTheWay:
    """Hands entries to the writer, and counts those it has answered. One thread only, by ``post``."""

    def __init__(
        self,
        writer: LogWriter,
        clock: Clock,
        post: Callable[[Callable[[], None]], None],
        committed: Callable[[LogEvent], None],
        refused: Callable[[str, str], None],
    ) -> None:
        """``committed`` hears of every entry that was written, ``refused`` the kind of one that never will
        be, and why."""
        self._writer, self._clock, self._post = writer, clock, post
        self._on_committed, self._on_refused = committed, refused
        self._handed = self._answered = 0
        self._refused: dict[int, str] = {}

    def hand_over(
        self, run: int | None, record: Record, then: Callable[[LogEvent], None] = lambda event: None
    ) -> None:
        """``then`` hears of it first, in the writer's thread, once it is committed."""
        key = None
        if record.kind in ("zero", "point"):
            key = f"{run}:{record.data['point']['step']}"  # a step has one reading, whatever happens
        self._handed += 1
        number = self._handed

        def committed(event: LogEvent) -> None:
            then(event)
            self._post(lambda: self._committed(event))

        def refused(why: str) -> None:
            self._post(lambda: self._put_aside(number, record.kind, why))

        self._writer.record(
            run, self._clock.now(), record.kind, record.text, record.data,
            key=key, on_committed=committed, on_refused=refused,
        )  # fmt: skip

    def _committed(self, event: LogEvent) -> None:
        self._answered += 1
        self._on_committed(event)

    def _put_aside(self, number: int, kind: str, why: str) -> None:
        self._answered += 1
        self._refused[number] = why
        self._on_refused(kind, why)

    def ready(self) -> Ready:
        """Whether all that is on its way now has been answered; why not where one was refused."""
        first, last = self._answered + 1, self._handed

        def ready(stage: BenchState) -> bool | str:
            why = next((self._refused[n] for n in range(first, last + 1) if n in self._refused), True)
            return self._answered >= last and why

        return ready
