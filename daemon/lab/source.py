"""A bench's store as the forwarder reads it: read only, a few rows at a time, and always of one course."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ..store.store import Store
from .messages import COLUMNS, Course, EventBatch, OpenBlock, Table, can_travel

STORED: dict[Table, str] = {"events": "events", "raw": "raw_blocks"}


@dataclass(frozen=True)
class Look:
    """What was in the store at one moment: its course, and the rows asked for."""

    course: Course
    batches: tuple[EventBatch, ...]
    #: Rows so damaged that they cannot travel, in words.
    left_out: tuple[str, ...] = ()
    #: What stands in no block yet, where it was asked for.
    open_block: OpenBlock | None = None


class StoreSource:
    """The store at ``path``; one put in its place is noticed. It is never written to."""

    def __init__(self, path: Path, bench: str) -> None:
        self.path, self.bench = path, bench
        self._store: Store | None = None
        self._file: tuple[int, int] | None = None

    def look(self, after: Mapping[Table, tuple[int, int] | None], *, open_block: bool = False) -> Look:
        """The course, and by table the next rows after a number (a batch at most); also the open block.

        Raises StoreError where there is no store, sqlite3.Error where it cannot be read.
        """
        db = self._opened().db
        db.execute("BEGIN")  # one moment: a restored copy has the numbers of another course
        try:
            uuid, epoch = db.execute("SELECT uuid, epoch FROM epochs ORDER BY id DESC LIMIT 1").fetchone()
            batches, left_out = [], []
            for table, wanted in after.items():
                if wanted is None:
                    continue
                found = self._rows(db, table, *wanted)
                if rows := tuple(row for row in found if can_travel(table, row)):
                    batches.append(EventBatch(table, wanted[0], rows))
                left_out += [f"row {row[0]} of {STORED[table]}" for row in found if row not in rows]
            still_open = self._open_block(db) if open_block else None
        finally:
            db.execute("COMMIT")
        return Look(Course(self.bench, uuid, epoch), tuple(batches), tuple(left_out), still_open)

    @staticmethod
    def _open_block(db: sqlite3.Connection) -> OpenBlock:
        last = db.execute("SELECT coalesce(max(id), 0) FROM raw_blocks").fetchone()[0]
        rows = db.execute("SELECT session, run, packed FROM raw_tail ORDER BY id").fetchall()
        sound = [
            (session, run, packed)
            for session, run, packed in rows
            if type(session) is int and type(run) in (int, type(None)) and type(packed) is bytes
        ]
        return OpenBlock(last, tuple(sound))

    @staticmethod
    def _rows(db: sqlite3.Connection, table: Table, after: int, most: int) -> tuple[tuple[object, ...], ...]:
        query = f"SELECT {COLUMNS[table]} FROM {STORED[table]} WHERE id > ? ORDER BY id LIMIT ?"
        return tuple(db.execute(query, (after, most)).fetchall())

    def _opened(self) -> Store:
        try:
            found = os.stat(self.path)
            file = (found.st_dev, found.st_ino)
        except OSError:
            file = None
        if self._store is None or file != self._file:
            self.close()
            self._store, self._file = Store(self.path, read_only=True), file
        return self._store

    def close(self) -> None:
        """Close the file."""
        if self._store is not None:
            self._store.close()
            self._store = None
