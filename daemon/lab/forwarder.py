"""Copies a bench's store to the archive, beside the daemon and out of its way.

A process of its own that opens the store read only and has no memory of its own: where to go on is the
archive's word. With the broker or the archive away it waits; the store is the queue.
"""

from __future__ import annotations

import logging
import queue
import sqlite3
import threading
import time
from pathlib import Path

from ..store.store import StoreError
from .broker import BrokerAddress, BrokerConnection
from .live_values import LiveValues
from .messages import TABLES, Archived, Course, OpenBlock, Table, check_name, encode, read_topic
from .outbox import Outbox
from .source import StoreSource

log = logging.getLogger(__name__)
#: How long to wait for something new in the store, s.
PAUSE = 0.25
#: How long to wait for a store that cannot be read, s.
STORE_PAUSE = 2.0
#: How often the raw readings that stand in no block yet are sent, and again where nothing has changed, s.
OPEN_EVERY, OPEN_AGAIN = 2.0, 30.0


class Forwarder:
    """One bench's. ``run`` works until ``stop`` is set, or until the archive has everything (``once``).

    ``live``: the daemon's socket, whose live values are shown once a second; None: they are not.
    """

    def __init__(self, store: Path, bench: str, broker: BrokerAddress, live: Path | None = None) -> None:
        self._source = StoreSource(store, check_name(bench))
        self._outbox = Outbox()
        self._course: Course | None = None
        self._up = False
        self._logged: set[str] = set()
        self.published = 0
        self._open: OpenBlock | None = None
        self._open_looked = self._open_sent = float("-inf")
        self._link = BrokerConnection(
            broker,
            f"weighloop-forward-{bench}",
            [f"weighloop/{bench}/+/+/archived"],
            online=f"weighloop/{bench}/online",
        )
        self._live = None if live is None else LiveValues(live, f"weighloop/{bench}/live", self._link)

    @property
    def again(self) -> int:
        """Rows sent more than once so far."""
        return self._outbox.again

    def run(self, stop: threading.Event, *, once: bool = False) -> None:
        """Forward. Raises nothing for what can come right by itself."""
        pause = 0.0
        if self._live is not None:
            self._live.start()
        try:
            while not stop.is_set():
                self._hear(pause)
                try:
                    moved = self._forward()
                except (StoreError, sqlite3.Error) as error:
                    self._tell(f"the store cannot be read now: {error}")
                    self._source.close()
                    stop.wait(STORE_PAUSE)
                    continue
                if once and not moved and self._outbox.session is not None and not self._outbox.busy():
                    return
                pause = 0.0 if moved else PAUSE
        finally:
            if self._live is not None:
                self._live.stop()
            self._link.close()
            self._source.close()

    def _hear(self, pause: float) -> None:
        """What came from the broker; waits at most ``pause`` s for the first of it."""
        try:
            topic, payload = self._link.heard.get(timeout=pause) if pause else self._link.heard.get_nowait()
            while True:
                self._take(topic, payload)
                topic, payload = self._link.heard.get_nowait()
        except queue.Empty:
            pass

    def _take(self, topic: str, payload: bytes) -> None:
        if not topic:
            self._up = payload == b"up"
            self._outbox.forget()
            return
        try:
            course, word = read_topic(topic)
            if course == self._course and word == "archived":
                self._outbox.heard(Archived.decode(payload), time.monotonic())
        except ValueError as error:
            self._tell(f"a message on {topic} was left out: {error}")

    def _forward(self) -> bool:
        """Send what there is to send; whether there was anything."""
        if not self._up:
            return False
        now = time.monotonic()
        wanted: dict[Table, tuple[int, int] | None] = {t: self._outbox.room(t, now) for t in TABLES}
        look = self._source.look(wanted, open_block=now - self._open_looked >= OPEN_EVERY)
        if look.course != self._course:
            # Another store, or another course of it, of which nothing is known yet.
            self._course, self._outbox = look.course, Outbox(again=self._outbox.again)
            self._open = None
        for text in look.left_out:
            self._tell(f"{text} is damaged and is left out")
        if self._outbox.must_ask(now):
            self._link.say(look.course.topic("hello"), self._outbox.question(now).encode())
        if self._outbox.session is None:
            return False
        for batch in look.batches:
            self._link.say(look.course.topic(batch.table), encode(batch))
            self._outbox.note_sent(batch.table, batch.last, len(batch.rows), now)
            self.published += len(batch.rows)
        if look.open_block is not None:
            self._open_looked = now
            self._send_open(look.course, look.open_block, now)
        return bool(look.batches)

    def _send_open(self, course: Course, block: OpenBlock, now: float) -> None:
        """What stands in no block yet: when it has changed, and now and then, for an archive that lost it."""
        if block != self._open or now - self._open_sent >= OPEN_AGAIN:
            self._link.say(course.topic("open"), block.encode())
            self._open, self._open_sent = block, now

    def _tell(self, text: str) -> None:
        """Say it once."""
        if text not in self._logged:
            self._logged.add(text)
            log.warning("%s", text)
