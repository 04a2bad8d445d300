"""Is what the daemon writes written? The store's file, its writer's progress, and the reports of both."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

from . import health, paths
from .clock import utc_now
from .procedure.events import Trouble
from .store.file_watch import FileWatch
from .store.locks import StoreLock
from .store.store import Store
from .store.writer import LogWriter

#: A line for the log that changes no run: its kind and its text.
Note = tuple[str, str]


class StoreGuard:
    """Owns the writer and looks after it; ``post`` takes what it means for a run, from any thread."""

    def __init__(
        self,
        store: Store,
        lock: StoreLock,
        alarm: Callable[[dict[str, Any]], None],
        post: Callable[[Trouble | Note], None],
    ) -> None:
        self.store, self._lock, self._alarm, self._post = store, lock, alarm, post
        self._path = store.path.resolve()
        self._file = FileWatch(self._path)
        self._cannot_write: str | None = None
        self._taken_away: str | None = None
        self._late: str | None = None
        self.log_writer = LogWriter(
            store, trouble=self._fails, recovered=self._is_back, put_aside=self._put_aside
        )

    @property
    def trouble(self) -> str | None:
        """What is wrong with the store, in words; None while all is well."""
        return self._taken_away or self._cannot_write or self._late

    def look(self) -> None:
        """Once a second: is the file in its place, and does its writer get on?"""
        if self._taken_away is None and (why := self._file.taken_away()) is not None:
            self._rescue(why)
        late = self.log_writer.waiting_for() > health.WRITER_PATIENCE
        if late and self._late is None:
            self._late = health.writer_words(self._cannot_write)
            self._tell(self._late)
        elif not late:
            self._late = None
        with contextlib.suppress(OSError):  # a full disk: the writer reports it; the next look tries again
            self._lock.say(mark=list(self.log_writer.mark))

    def end(self) -> str:
        """Write what waits and end; what went wrong in words, empty where nothing did."""
        if not self.log_writer.close():
            why = self.trouble or "its writer stands still"
            return f"not everything could be written to the store: {why}"
        if self._taken_away is not None:
            return self._taken_away
        with contextlib.suppress(OSError):
            self._lock.say(mark=list(self.log_writer.mark))
        return ""

    def _tell(self, text: str) -> None:
        self._alarm({"kind": "store", "text": text})
        self._post(Trouble("store", text))

    def _rescue(self, why: str) -> None:
        target = paths.rescue_file(self._path, utc_now())

        def done(error: Exception | None) -> None:
            if error is not None:
                self._alarm({"kind": "store", "text": f"the store could not be copied to {target}: {error}"})
                self._taken_away = None  # the next look tries again

        self._taken_away = (
            f"{why}; what is in it, and all since, goes to {target}: stop the daemon and put it back"
        )
        self.log_writer.rescue(target, done)
        self._tell(self._taken_away)

    def _fails(self, why: str) -> None:
        self._cannot_write = why
        self._tell(f"the store cannot be written: {why}")

    def _is_back(self) -> None:
        self._cannot_write = None
        self._post(("store", "The store can be written again."))

    def _put_aside(self, why: str) -> None:
        self._alarm({"kind": "store", "text": why})
