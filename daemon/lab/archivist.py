"""Takes what the benches' forwarders send, commits it, and answers with what is committed."""

from __future__ import annotations

import logging
import queue
import secrets
import threading
import time

import psycopg

from .archive import Archive, ArchiveError, in_words
from .broker import BrokerAddress, BrokerConnection
from .messages import Archived, Course, EventBatch, OpenBlock, decode, read_topic

log = logging.getLogger(__name__)
#: Messages committed together at most, and how long to wait for more of them, s.
TOGETHER, GATHER = 200, 0.05
#: How long to wait for a database that is away, s.
DATABASE_PAUSE = 1.0


class Archivist:
    """Fills one archive from one broker. ``run`` works until ``stop`` is set."""

    def __init__(self, dsn: str, broker: BrokerAddress, name: str = "weighloop-archive") -> None:
        self._dsn = dsn
        self._archive: Archive | None = None
        self._session = ""
        self._questions: dict[Course, str | None] = {}
        self._open: dict[Course, OpenBlock] = {}
        topics = [f"weighloop/+/+/+/{word}" for word in ("events", "raw", "open", "hello")]
        self._link = BrokerConnection(broker, f"{name}-{secrets.token_hex(4)}", topics)

    def run(self, stop: threading.Event) -> None:
        """Archive. A database that goes away and comes back, also restored from a backup, is waited for."""
        waiting: list[tuple[Course, EventBatch]] = []
        try:
            while not stop.is_set():
                waiting += self._gathered()
                if not (waiting or self._questions or self._open):
                    continue
                try:
                    archive = self._connected()
                    self._commit(archive, waiting)
                    for course, block in self._open.items():
                        archive.keep_open(course, block)
                    for course in {*self._questions, *(course for course, _ in waiting)}:
                        self._answer(archive, course)
                except (ArchiveError, psycopg.OperationalError, psycopg.InterfaceError) as error:
                    said = in_words(error) if isinstance(error, psycopg.Error) else str(error)
                    log.warning("%s", said)
                    self._leave()
                    stop.wait(DATABASE_PAUSE)
                    # What waits is sent again by those who wait for an answer.
                    waiting.clear()
                    self._open.clear()
                    continue
                waiting.clear()
                self._open.clear()
                self._questions.clear()
        finally:
            self._link.close()
            self._leave()

    def _gathered(self) -> list[tuple[Course, EventBatch]]:
        """The batches that came; questions are put aside."""
        batches: list[tuple[Course, EventBatch]] = []
        until, patience = time.monotonic() + GATHER, 0.5
        while len(batches) < TOGETHER:
            try:
                topic, payload = self._link.heard.get(timeout=patience)
            except queue.Empty:
                break
            patience = max(until - time.monotonic(), 0.001)
            if not topic:
                continue
            try:
                course, word = read_topic(topic)
                if word == "hello":
                    self._questions[course] = payload.decode("ascii")[:64]
                elif word == "open":
                    self._open[course] = OpenBlock.decode(payload)
                elif word == "events" or word == "raw":
                    batches.append((course, decode(word, payload)))
                    self._questions.setdefault(course, None)
            except ValueError as error:
                log.warning("a message on %s was left out: %s", topic, error)
        return batches

    def _connected(self) -> Archive:
        if self._archive is None:
            self._archive = Archive(self._dsn)
            for step in self._archive.migrate():
                log.info("the archive's tables: %s", step)
            self._session = secrets.token_hex(8)
        return self._archive

    def _commit(self, archive: Archive, batches: list[tuple[Course, EventBatch]]) -> None:
        if not batches:
            return
        try:
            archive.take(batches)
        except psycopg.DataError:
            # One of them holds what the database cannot: the others must not wait for it.
            for course, batch in batches:
                try:
                    archive.take([(course, batch)])
                except psycopg.DataError as error:
                    log.error(
                        "%s: rows %d to %d of %s cannot be kept: %s",
                        course.bench, batch.rows[0][0], batch.last, batch.table, in_words(error),
                    )  # fmt: skip
        log.debug("rows stored %d, sent again %d", archive.stored, archive.repeated)

    def _answer(self, archive: Archive, course: Course) -> None:
        held = archive.holds(course)
        word = Archived(held["events"], held["raw"], self._session, self._questions.get(course))
        self._link.say(course.topic("archived"), word.encode())

    def _leave(self) -> None:
        if self._archive is not None:
            self._archive.close()
            self._archive = None
