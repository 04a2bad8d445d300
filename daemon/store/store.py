"""The store: one SQLite file, append-only; the log is the truth and everything else follows from it.

WAL with synchronous=FULL: what was committed survives a pulled plug. One writer (the recorder's
thread); any number of readers, each with a connection of its own.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import numpy as np

from ...analysis.errors import NotPossible, WeighloopError
from ..paths import store_file
from ..procedure.run import LogEvent, RunRecord, replay, to_protocol
from ..protocol import Run, RunLine, StoreIdentity
from . import migrations, raw_blocks
from .checksums import FIRST_LINK, link_sum, row_sum
from .connection import in_words, to_read, to_write
from .log_rows import Damage, read_events
from .run_lines import RunLines, read_lines
from .verify import verify

#: Raw readings are packed into blocks of this many: an overview of 26 million reads 6,400 rows.
BLOCK = 4096
#: Up to this many raw readings an overview looks into the blocks; above, at their extremes only.
FINE = 300_000


class StoreError(WeighloopError):
    """The store cannot be used; the message says where it is, what is wrong and what would help."""


class Mark(NamedTuple):
    """How far a store had come: what a witness beside it remembers."""

    epoch: str
    event: int
    link: str


class Store:
    """One open store. Not for several threads at once; use as a context manager."""

    def __init__(self, path: str | Path, *, read_only: bool = False) -> None:
        self.path = Path(path)
        self.read_only = read_only
        self._left: list[sqlite3.Connection] = []
        try:
            if read_only:
                if not self.path.exists():
                    raise StoreError(f"there is no store at {self.path}")
                self.db = to_read(self.path)
            else:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self.db = to_write(self.path)
                migrations.migrate(self.db)
            found = migrations.version(self.db)
            if found != len(migrations.STEPS):
                raise ValueError(
                    f"its version is {found}; expected {len(migrations.STEPS)}: start a daemon on it once"
                )
        except (sqlite3.Error, ValueError, OSError) as error:
            raise StoreError(
                f"the store {self.path} cannot be opened: {in_words(error, self.path)}"
            ) from None
        self.session = 0
        self._lines = RunLines(self.db, self.record)

    # -- writing -----------------------------------------------------------------------------

    def begin_session(self, boot_id: str, version: str, utc: str, clock_s: float) -> int:
        """Note that a daemon starts; its rows carry the session's number."""
        number = int(self.db.execute("SELECT coalesce(max(id), 0) + 1 FROM sessions").fetchone()[0])
        content = (number, boot_id, version, utc, float(clock_s))
        self.db.execute(
            "INSERT INTO sessions (id, boot_id, version, utc, clock_s, own) VALUES (?, ?, ?, ?, ?, ?)",
            (*content, row_sum(*content)),
        )
        self.session = number
        self._lines.make_missing()
        return self.session

    @property
    def identity(self) -> StoreIdentity:
        """Which store this is, and which course of it."""
        uuid, epoch = self.db.execute("SELECT uuid, epoch FROM epochs ORDER BY id DESC LIMIT 1").fetchone()
        return {"uuid": uuid, "epoch": epoch}

    def mark(self) -> Mark:
        """How far the store has come."""
        number, link = self._last()
        return Mark(self.identity["epoch"], number, link.hex())

    def take_up(self, seen: Mark | None) -> bool:
        """Go on with this store; True when that is another course of it, which gets an epoch of its own.

        ``seen`` is how far a store in this place was seen to have come. One that has not come as far, or came
        another way, was restored from a copy; one never seen here was put here.
        """
        number, _ = self._last()
        if number == 0:
            return False
        if seen is not None and seen.epoch == self.identity["epoch"]:
            there = self.db.execute("SELECT link FROM events WHERE id = ?", (seen.event,)).fetchone()
            if seen.event == 0 or (there is not None and bytes(there[0] or b"").hex() == seen.link):
                return False
        migrations.new_epoch(self.db, self.identity["uuid"], number)
        return True

    def _last(self) -> tuple[int, bytes]:
        """Number and link of the last event; the log's beginning where there is none."""
        row = self.db.execute("SELECT id, link FROM events ORDER BY id DESC LIMIT 1").fetchone()
        return (0, FIRST_LINK) if row is None else (int(row[0]), bytes(row[1] or b""))

    def append(
        self,
        entries: Sequence[tuple[int | None, float, str, str, str, dict[str, Any], str | None]] = (),
        raw: Sequence[tuple[int | None, Sequence[raw_blocks.Raw]]] = (),
    ) -> list[LogEvent]:
        """Commit log entries ``(run, time_s, utc, kind, text, data, key)`` and raw readings together.

        An entry whose ``key`` stands in the log already is not written twice: its first one comes back.
        """
        done: list[LogEvent] = []
        self.db.execute("BEGIN IMMEDIATE")
        try:
            for run, readings in raw:
                if readings:
                    content = (self._next("raw_tail"), self.session, run, raw_blocks.pack(readings))
                    self.db.execute(
                        "INSERT INTO raw_tail (id, session, run, packed, own) VALUES (?, ?, ?, ?, ?)",
                        (*content, row_sum(*content)),
                    )
            number, link = self._last()
            number = max(number, self._given_out()) if entries else number
            fresh: list[LogEvent] = []
            for run, time_s, utc, kind, text, data, key in entries:
                if key is not None and (old := self._by_key(key)) is not None:
                    done.append(old)
                    continue
                number += 1
                content = (number, self.session, run, float(time_s), utc, kind, text)
                content = (*content, json.dumps(data, allow_nan=False), key)
                own = row_sum(*content)
                link = link_sum(link, own)
                self.db.execute(
                    f"INSERT INTO events ({migrations.EVENT_COLUMNS}, own, link)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (*content, own, link),
                )
                fresh.append(LogEvent(number, run, time_s, utc, kind, text, data))
                done.append(fresh[-1])
            self._lines.follow(fresh)
            self.db.execute("COMMIT")
        except BaseException:
            self._lines.forget()
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
            raise
        return done

    def _next(self, table: str) -> int:
        return int(self.db.execute(f"SELECT coalesce(max(id), 0) + 1 FROM {table}").fetchone()[0])

    def _given_out(self) -> int:
        """The highest number any event ever had."""
        row = self.db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'events'").fetchone()
        return int(row[0]) if row is not None else 0

    def pack_tail(self, least: int = BLOCK) -> int:
        """Move the open end into blocks once it holds ``least`` readings; returns the blocks made."""
        made = 0
        rows = self.db.execute("SELECT id, session, run, packed FROM raw_tail ORDER BY id").fetchall()
        groups: list[tuple[int, int | None, list[int], list[raw_blocks.Raw]]] = []
        for number, session, run, packed in rows:
            if not groups or groups[-1][:2] != (session, run):
                groups.append((session, run, [], []))
            groups[-1][2].append(number)
            groups[-1][3].extend(raw_blocks.readings(raw_blocks.unpack(packed)))
        for index, (session, run, numbers, readings) in enumerate(groups):
            # Only the last group can still grow; the others are closed whatever their size.
            if index == len(groups) - 1 and len(readings) < least:
                continue
            values = [r.value_kg for r in readings if r.value_kg is not None]
            self.db.execute("BEGIN IMMEDIATE")
            try:
                content = (
                    self._next("raw_blocks"),
                    session,
                    run,
                    min(r.time_s for r in readings),
                    max(r.time_s for r in readings),
                    len(readings),
                    min(values, default=None),
                    max(values, default=None),
                    raw_blocks.pack(readings),
                )
                self.db.execute(
                    f"INSERT INTO raw_blocks ({migrations.SUMMED['raw_blocks']}, own)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (*content, row_sum(*content)),
                )
                self.db.execute("DELETE FROM raw_tail WHERE id BETWEEN ? AND ?", (numbers[0], numbers[-1]))
                self.db.execute("COMMIT")
            except BaseException:
                if self.db.in_transaction:
                    self.db.execute("ROLLBACK")
                raise
            made += 1
        return made

    def backup(self, path: str | Path) -> None:
        """Copy the store while it is being written (SQLite's own online backup)."""
        target = sqlite3.connect(path)
        try:
            self.db.backup(target, pages=256)
        finally:
            target.close()

    def rescue(self, path: Path) -> None:
        """Copy all that is in the store to ``path`` and go on there: its own file was taken away.

        The file before is not closed: SQLite would remove the log beside it by its name, which may be
        another's by now.
        """
        self.backup(path)
        self._left.append(self.db)
        self.db, self.path = to_write(path), path
        self._lines = RunLines(self.db, self.record)

    # -- reading -----------------------------------------------------------------------------

    def _by_key(self, key: str) -> LogEvent | None:
        return next((e for e in self._events("key = ?", (key,)) if isinstance(e, LogEvent)), None)

    def _events(
        self, where: str, values: tuple[Any, ...], tail: str = "ORDER BY id"
    ) -> Iterator[LogEvent | Damage]:
        return read_events(self.db, where, values, tail)

    def events(self, run: int) -> list[LogEvent]:
        """All of a run's events, in order, without those that are damaged."""
        return [e for e in self._events("run = ?", (run,)) if isinstance(e, LogEvent)]

    def last_events(self, count: int) -> list[LogEvent]:
        """The newest events of all runs and none, oldest first."""
        newest = self._events("1", (count,), "ORDER BY id DESC LIMIT ?")
        return [e for e in newest if isinstance(e, LogEvent)][::-1]

    def last_data(self, kind: str, count: int) -> list[dict[str, Any]]:
        """What the last ``count`` entries of one kind hold, oldest first."""
        found = list(self._events("kind = ?", (kind, count), "ORDER BY id DESC LIMIT ?"))
        return [event.data for event in reversed(found) if isinstance(event, LogEvent)]

    def undelivered_alarms(self) -> list[dict[str, Any]]:
        """The data of alarms that did not reach everybody, oldest first."""

        def of(kind: str) -> list[dict[str, Any]]:
            return [e.data for e in self._events("kind = ?", (kind,)) if isinstance(e, LogEvent)]

        delivered = {data.get("id") for data in of("alarm-delivered")}
        return [data for data in of("alarm") if data.get("id") not in delivered]

    def last_time(self) -> tuple[float, str] | None:
        """The last moment known to the store: the daemon's clock in s, and UTC."""
        row = self.db.execute("SELECT time_s, utc FROM events ORDER BY id DESC LIMIT 1").fetchone()
        if row is None:
            return None
        block = self.db.execute("SELECT max(last_s) FROM raw_blocks").fetchone()[0]
        return max(float(row[0]), float(block or 0.0)), str(row[1])

    def record(self, run: int) -> RunRecord:
        """A run, rebuilt from its events. Raises StoreError when there is none of that number."""
        events = list(self._events("run = ?", (run,)))
        if not events:
            raise StoreError(f"there is no run {run} in {self.path}; `weighloop runs` lists them")
        # One that is damaged may not name its run any more: those in between are looked at as well.
        others = self._events("id BETWEEN ? AND ? AND run IS NOT ?", (events[0].id, events[-1].id, run))
        events += [e for e in others if isinstance(e, Damage)]
        record = replay(run, (e for e in events if isinstance(e, LogEvent)))
        damaged = tuple(e.text for e in events if isinstance(e, Damage))
        return replace(record, warnings=(*damaged, *record.warnings))

    def run(self, number: int) -> Run:
        """A run whole, as clients see it."""
        from ..procedure.events import BenchState
        from ..procedure.next_task import action_of

        record = self.record(number)
        return to_protocol(record, action_of(record, BenchState()))

    def runs(self) -> list[RunLine]:
        """All runs, one line each, newest last."""
        return read_lines(self.db, self.record)

    def raw(self, run: int | None = None) -> raw_blocks.Columns:
        """All raw readings of a run (or of all time), in order."""
        parts = [raw_blocks.unpack(packed) for packed in self._packed(run)]
        if not parts:
            return raw_blocks.Columns(np.empty(0), np.empty(0), ())
        return raw_blocks.Columns(
            np.concatenate([p.time_s for p in parts]),
            np.concatenate([p.value_kg for p in parts]),
            tuple(mark for p in parts for mark in p.mark),
        )

    def _packed(self, run: int | None) -> Iterator[bytes]:
        where = "" if run is None else "WHERE run = ?"
        values = () if run is None else (run,)
        for table in ("raw_blocks", "raw_tail"):
            for row in self.db.execute(f"SELECT packed FROM {table} {where} ORDER BY id", values):
                yield row[0]

    def overview(self, run: int | None, slots: int) -> dict[str, list[float | None]]:
        """Raw readings thinned to ``slots``: lowest and highest in each; None where there were none."""
        where = "" if run is None else "WHERE run = ?"
        values = () if run is None else (run,)
        rows = self.db.execute(
            f"SELECT first_s, last_s, readings, low_kg, high_kg FROM raw_blocks {where}", values
        ).fetchall()
        if sum(row[2] for row in rows) <= FINE:
            columns = self.raw(run)
            start = end = columns.time_s
            low = high = columns.value_kg
        else:
            blocks = np.array([row[:2] + row[3:] for row in rows], dtype=float)
            start, end, low, high = blocks.T
        good = ~np.isnan(low)
        start, end, low, high = start[good], end[good], low[good], high[good]
        if len(start) == 0 or slots < 1:
            return {"time_s": [], "low_kg": [], "high_kg": []}
        edges = np.linspace(start.min(), end.max(), slots + 1)
        lows, highs = np.full(slots, np.inf), np.full(slots, -np.inf)
        width = max(edges[-1] - edges[0], 1e-9)
        for times in (start, end):  # a block that spans several slots is seen at both of its ends
            slot = np.clip(((times - edges[0]) / width * slots).astype(int), 0, slots - 1)
            np.minimum.at(lows, slot, low)
            np.maximum.at(highs, slot, high)
        return {
            "time_s": list(map(float, (edges[:-1] + edges[1:]) / 2)),
            "low_kg": [float(v) if np.isfinite(v) else None for v in lows],
            "high_kg": [float(v) if np.isfinite(v) else None for v in highs],
        }

    def verify(self) -> list[str]:
        """Every fault found: the file's pages, each row's sum, the chain, each run's replay, each block.

        Empty when sound.
        """
        return verify(self.db, self.record)

    def quick_check(self) -> str | None:
        """What is wrong with the file's pages, or None; quick enough for every start."""
        try:
            row = self.db.execute("PRAGMA quick_check(1)").fetchone()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            return str(error)
        return None if row[0] == "ok" else str(row[0])

    def close(self) -> None:
        """Release the file."""
        self.db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_store(path: str | Path | None = None) -> Store:
    """The store at ``path`` (None: the daemon's own), read only. Raises NotPossible where there is none."""
    place = Path(path) if path is not None else store_file()
    if not place.exists():
        raise NotPossible(f"there is no store at {place}; a daemon makes one at its first start")
    return Store(place, read_only=True)
