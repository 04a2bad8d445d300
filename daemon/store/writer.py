"""The only writer: one thread that commits log entries and raw readings, and only then tells.

Whatever waits is committed together, so a burst costs one sync. When the disk is full or the store
is locked nothing is lost and nobody is told: entries wait in order, the trouble is reported once,
and the thread tries again until it succeeds.
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
from typing import Any

from ..clock import utc_now
from ..procedure.run import LogEvent
from .raw_blocks import Raw
from .store import BLOCK, Store

log = logging.getLogger(__name__)

#: Raw readings are written at least this often, s of the machine's time.
RAW_EVERY = 1.0
#: While the store cannot be written so many raw readings are kept; older ones are let go and counted.
RAW_KEPT = 200_000


@dataclass
class _Entry:
    run: int | None
    time_s: float
    utc: str
    kind: str
    text: str
    data: dict[str, Any]
    key: str | None
    told: Callable[[LogEvent], None] | None
    handed: float  # machine's monotonic clock


class LogWriter:
    """Takes entries from any thread; ``told`` is called from the writer's thread after the commit."""

    def __init__(
        self,
        store: Store,
        *,
        trouble: Callable[[str], None] = lambda why: None,
        recovered: Callable[[], None] = lambda: None,
    ) -> None:
        self.store = store
        self._trouble = trouble
        self._recovered = recovered
        self._entries: deque[_Entry] = deque()
        self._raw: deque[tuple[int | None, Raw]] = deque()
        self._wake = threading.Condition()
        self._closing = False
        self._in_trouble = False
        self._unpacked = 0
        self._written = time.monotonic()
        self.raw_let_go = 0
        self.delays: deque[float] = deque(maxlen=1000)  # s from handing over to committed
        self.keep_raw = True
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
        told: Callable[[LogEvent], None] | None = None,
    ) -> None:
        """Hand over one entry of the log; returns at once. Raises ValueError for what is not JSON."""
        json.dumps(data or {}, allow_nan=False)  # here, not in the writer: it must not be stopped by it
        entry = _Entry(run, time_s, utc_now(), kind, text, data or {}, key, told, time.monotonic())
        with self._wake:
            self._entries.append(entry)
            self._wake.notify()

    def raw(self, run: int | None, readings: list[Raw]) -> None:
        """Hand over raw readings; written within a second, and before any later entry."""
        if not self.keep_raw:
            self.raw_let_go += len(readings)
            return
        with self._wake:
            self._raw.extend((run, r) for r in readings)
            while len(self._raw) > RAW_KEPT:
                self._raw.popleft()
                self.raw_let_go += 1

    def close(self, patience: float = 10.0) -> bool:
        """Write what waits and end; False when it could not all be written in time."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread.is_alive():
            self._thread.join(patience)
        return not self._entries and not self._thread.is_alive()

    def _work(self) -> None:
        wait = RAW_EVERY
        while True:
            with self._wake:
                if not self._entries and not self._closing:
                    self._wake.wait(wait)
                closing = self._closing
            wait = RAW_EVERY
            if not self._write_all():
                if closing:
                    return
                wait = 0.2
                time.sleep(wait)
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
        groups: list[tuple[int | None, list[Raw]]] = []
        for run, reading in raw:
            if not groups or groups[-1][0] != run:
                groups.append((run, []))
            groups[-1][1].append(reading)
        try:
            rows = [(e.run, e.time_s, e.utc, e.kind, e.text, e.data, e.key) for e in entries]
            events = self.store.append(rows, groups)
        except sqlite3.Error as error:
            if not self._in_trouble:
                self._in_trouble = True
                self._trouble(str(error))
            return False
        except Exception:
            # Not the store's fault but the program's: said, and the raw readings that may be the
            # cause are let go, so that the log can be written.
            log.exception("the writer stumbled")
            with self._wake:
                self.raw_let_go += len(self._raw)
                self._raw.clear()
            return False
        with self._wake:
            for _ in entries:
                self._entries.popleft()
            for _ in range(min(len(raw), len(self._raw))):
                self._raw.popleft()
        self._written = time.monotonic()
        self.delays.extend(self._written - entry.handed for entry in entries)
        if self._in_trouble:
            self._in_trouble = False
            self._recovered()
        for entry, event in zip(entries, events, strict=True):
            if entry.told is not None:
                entry.told(event)
        self._pack(len(raw))
        return True

    def _pack(self, written: int) -> None:
        self._unpacked += written
        if self._unpacked < BLOCK and not self._closing:
            return
        try:
            self.store.pack_tail(1 if self._closing else BLOCK)
            self._unpacked = 0
        except (sqlite3.Error, ValueError) as error:
            log.warning("the raw readings could not be packed yet: %s", error)
