"""The only writer: one thread that commits log entries and raw readings, and only then tells.

Whatever waits is committed together, so a burst costs one sync. When the disk is full or the store
is locked nothing is lost and nothing is published: entries wait in order, the trouble is reported once,
and the thread tries again until it succeeds. An entry the store does not take whatever the time is put
aside in words, so that those behind it are written.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..clock import utc_now
from ..procedure.run import LogEvent
from ..text import writable
from .connection import in_words
from .raw_blocks import Raw
from .store import BLOCK, Mark, Store

log = logging.getLogger(__name__)

#: Raw readings are written at least this often, s of the machine's time.
RAW_EVERY = 1.0
#: While the store cannot be written this many raw readings are kept; older ones are dropped and counted.
RAW_KEPT = 200_000
#: After trouble the next try is so much later, s of the machine's time.
TRY_AGAIN = 0.2
#: Of an entry that was put aside this many characters are kept.
LONGEST = 100_000


#: A raw reading that waits: its run, itself, when it was handed over.
_Waiting = tuple[int | None, Raw, float]


@dataclass
class _Entry:
    run: int | None
    time_s: float
    utc: str
    kind: str
    text: str
    data: dict[str, Any]
    key: str | None
    on_committed: Callable[[LogEvent], None] | None
    on_refused: Callable[[str], None] | None
    handed: float  # machine's monotonic clock

    @property
    def row(self) -> tuple[int | None, float, str, str, str, dict[str, Any], str | None]:
        return (self.run, self.time_s, self.utc, self.kind, self.text, self.data, self.key)


class LogWriter:
    """Takes entries from any thread; what it calls back is called from the writer's own.

    ``trouble`` and ``recovered``: the store cannot be written, and can again. ``put_aside``: an entry the
    store would not take at all, in words.
    """

    def __init__(
        self,
        store: Store,
        *,
        trouble: Callable[[str], None] = lambda why: None,
        recovered: Callable[[], None] = lambda: None,
        put_aside: Callable[[str], None] = lambda why: None,
    ) -> None:
        self.store = store
        self._trouble, self._recovered, self._put_aside = trouble, recovered, put_aside
        self._entries: deque[_Entry] = deque()
        self._raw: deque[_Waiting] = deque()
        self._jobs: deque[Callable[[], None]] = deque()
        self._wake = threading.Condition()
        self._closing = False
        self._in_trouble = False
        self._unpacked = 0
        self._written = time.monotonic()
        self.raw_dropped = 0
        self.delays: deque[float] = deque(maxlen=1000)  # s from handing over to committed
        self.keep_raw = True
        self.mark: Mark = store.mark()
        self._thread = threading.Thread(target=self._work, name="log-writer", daemon=True)

    def start(self) -> None:
        """Begin writing."""
        self._thread.start()

    def record(
        self,
        run: int | None,
        time_s: float,
        kind: str,
        text: str,
        data: dict[str, Any] | None = None,
        *,
        key: str | None = None,
        on_committed: Callable[[LogEvent], None] | None = None,
        on_refused: Callable[[str], None] | None = None,
    ) -> None:
        """Hand over one entry of the log; returns at once. Raises ValueError for what is not JSON.

        ``on_committed`` hears of it once it is committed, ``on_refused`` why it never will be.
        """
        json.dumps(data or {}, allow_nan=False)  # here, not in the writer: it must not be stopped by it
        row = (run, time_s, utc_now(), kind, writable(text), writable(data or {}), key)
        entry = _Entry(*row, on_committed, on_refused, time.monotonic())
        with self._wake:
            self._entries.append(entry)
            self._wake.notify()

    def raw(self, run: int | None, readings: list[Raw]) -> None:
        """Hand over raw readings; written within a second, and before any later entry."""
        if not self.keep_raw:
            self.raw_dropped += len(readings)
            return
        now = time.monotonic()
        with self._wake:
            self._raw.extend((run, r, now) for r in readings)
            while len(self._raw) > RAW_KEPT:
                self._raw.popleft()
                self.raw_dropped += 1

    def rescue(self, path: Path, done: Callable[[Exception | None], None]) -> None:
        """Copy the store to ``path`` and write there from now on; ``done`` hears how it went."""

        def work() -> None:
            try:
                self.store.rescue(path)
            except (sqlite3.Error, OSError) as error:
                done(error)
            else:
                done(None)

        with self._wake:
            self._jobs.append(work)
            self._wake.notify()

    def waiting_for(self) -> float:
        """How long what has waited longest has waited to be written, s; endless when nobody writes."""
        if self._thread.ident is not None and not self._thread.is_alive() and not self._closing:
            return float("inf")
        with self._wake:
            handed = [self._entries[0].handed] if self._entries else []
            handed += [self._raw[0][2]] if self._raw else []
        return time.monotonic() - min(handed) if handed else 0.0

    def close(self, patience: float = 10.0) -> bool:
        """Write what waits and end; False when it could not all be written in time."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread.is_alive():
            self._thread.join(patience)
        return not self._entries and not self._raw and not self._thread.is_alive()

    def _work(self) -> None:
        while True:
            with self._wake:
                if not self._entries and not self._jobs and not self._closing:
                    self._wake.wait(RAW_EVERY)
                closing = self._closing
                jobs = list(self._jobs)
                self._jobs.clear()
            for job in jobs:
                job()
            if not self._write_all():
                if closing:
                    return
                time.sleep(TRY_AGAIN)
            elif closing and not self._entries:
                return

    def _write_all(self) -> bool:
        """One transaction with all that waits. False when the store could not be written."""
        with self._wake:
            entries = list(self._entries)
            due = entries or self._closing or time.monotonic() - self._written >= RAW_EVERY * 0.9
            raw = list(self._raw) if due else []
        if not entries and not raw:
            return True
        try:
            self._write(entries, raw)
        except Exception as error:
            if not self._in_trouble:
                self._in_trouble = True
                if not isinstance(error, sqlite3.Error):
                    log.exception("the writer failed")
                self._trouble(in_words(error, self.store.path))
            return False
        return True

    def _write(self, entries: list[_Entry], raw: list[_Waiting]) -> None:
        """Commit; what the store does not take is found by halves and put aside. Raises the disk's errors."""
        try:
            events = self._append(entries, raw)
        except sqlite3.OperationalError:
            raise  # the disk, a lock: of no single entry
        except Exception as error:
            if len(entries) + len(raw) == 1:
                self._refuse(entries, raw, error)
            elif entries and raw:
                self._write([], raw)
                self._write(entries, [])
            else:
                for part in (slice(None, len(entries or raw) // 2), slice(len(entries or raw) // 2, None)):
                    self._write(entries[part], raw[part])
            return
        self._committed(entries, events, raw)

    def _append(self, entries: list[_Entry], raw: list[_Waiting]) -> list[LogEvent]:
        groups: list[tuple[int | None, list[Raw]]] = []
        for run, reading, _ in raw:
            if not groups or groups[-1][0] != run:
                groups.append((run, []))
            groups[-1][1].append(reading)
        return self.store.append([e.row for e in entries], groups)

    def _refuse(self, entries: list[_Entry], raw: list[_Waiting], error: Exception) -> None:
        """The store will never take this one: its words are written down instead of it."""
        what = f"an entry of the log ({entries[0].kind})" if entries else "a raw reading"
        why = writable(f"{what} cannot be written: {error}")
        entry = repr(entries[0].row if entries else raw[0])[:LONGEST]
        run, time_s = (entries[0].run, entries[0].time_s) if entries else (None, raw[0][1].time_s)
        run = run if isinstance(run, int) and run.bit_length() < 63 else None
        data = {"why": writable(str(error)), "entry": writable(entry)}
        self.store.append([(run, float(time_s), utc_now(), "put-aside", why, data, None)])
        self._drop(entries, raw)
        self._put_aside(why)
        for one in entries:
            if one.on_refused is not None:
                one.on_refused(why)

    def _drop(self, entries: list[_Entry], raw: list[_Waiting]) -> None:
        with self._wake:
            for _ in entries:
                self._entries.popleft()
            for _ in range(min(len(raw), len(self._raw))):
                self._raw.popleft()

    def _committed(self, entries: list[_Entry], events: list[LogEvent], raw: list[_Waiting]) -> None:
        """They stand in the store: release them, and report."""
        self._drop(entries, raw)
        self._written = time.monotonic()
        self.delays.extend(self._written - entry.handed for entry in entries)
        if self._in_trouble:
            self._in_trouble = False
            self._recovered()
        if entries:
            self.mark = self.store.mark()
        for entry, event in zip(entries, events, strict=True):
            if entry.on_committed is not None:
                entry.on_committed(event)
        self._pack(len(raw))

    def _pack(self, written: int) -> None:
        self._unpacked += written
        if self._unpacked < BLOCK and not self._closing:
            return
        try:
            self.store.pack_tail(1 if self._closing else BLOCK)
            self._unpacked = 0
        except (sqlite3.Error, ValueError) as error:
            log.warning("the raw readings could not be packed yet: %s", error)
