"""The store: one SQLite file, append-only; the log is the truth and everything else follows from it.

WAL with synchronous=FULL: what was committed survives a pulled plug. One writer (the recorder's
thread); any number of readers, each with a connection of its own.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from ...analysis.errors import WeighloopError
from ..procedure.run import LogEvent, RunRecord, replay, run_line, to_protocol
from ..protocol import Run, RunLine
from . import migrations, raw_blocks

#: Raw readings are packed into blocks of this many: an overview of 26 million reads 6,400 rows.
BLOCK = 4096
#: Up to this many raw readings an overview looks into the blocks; above, at their extremes only.
FINE = 300_000
#: How long a writer waits for another process's lock, s.
LOCK_PATIENCE = 5.0


class StoreError(WeighloopError):
    """The store cannot be used; the message says where it is, what is wrong and what would help."""


class Store:
    """One open store. Not for several threads at once; use as a context manager."""

    def __init__(self, path: str | Path, *, read_only: bool = False) -> None:
        self.path = Path(path)
        self.read_only = read_only
        try:
            if read_only:
                if not self.path.exists():
                    raise StoreError(f"there is no store at {self.path}")
                self.db = sqlite3.connect(
                    f"{self.path.absolute().as_uri()}?mode=ro",
                    uri=True,
                    isolation_level=None,
                    check_same_thread=False,
                )
                self.db.execute("PRAGMA query_only = ON")
            else:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self.db = sqlite3.connect(
                    self.path, isolation_level=None, timeout=LOCK_PATIENCE, check_same_thread=False
                )
                self.db.execute("PRAGMA journal_mode = WAL")
                self.db.execute("PRAGMA synchronous = FULL")
                self.db.execute("PRAGMA wal_autocheckpoint = 500")
                migrations.migrate(self.db)
            found = migrations.version(self.db)
            if found != len(migrations.STEPS):
                raise ValueError(
                    f"its version is {found}; expected {len(migrations.STEPS)}: start a daemon on it once"
                )
        except (sqlite3.Error, ValueError, OSError) as error:
            raise StoreError(
                f"the store {self.path} cannot be opened: {error}. "
                "If the file is damaged, put a backup in its place"
            ) from None
        self.session = 0

    # -- writing -----------------------------------------------------------------------------

    def begin_session(self, boot_id: str, version: str, utc: str, clock_s: float) -> int:
        """Note that a daemon starts; its rows carry the session's number."""
        row = self.db.execute(
            "INSERT INTO sessions (boot_id, version, utc, clock_s) VALUES (?, ?, ?, ?)",
            (boot_id, version, utc, clock_s),
        )
        self.session = int(row.lastrowid or 0)
        return self.session

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
                    self.db.execute(
                        "INSERT INTO raw_tail (session, run, packed) VALUES (?, ?, ?)",
                        (self.session, run, raw_blocks.pack(readings)),
                    )
            for run, time_s, utc, kind, text, data, key in entries:
                if key is not None and (old := self._by_key(key)) is not None:
                    done.append(old)
                    continue
                row = self.db.execute(
                    "INSERT INTO events (session, run, time_s, utc, kind, text, data, key)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (self.session, run, time_s, utc, kind, text, json.dumps(data, allow_nan=False), key),
                )
                done.append(LogEvent(int(row.lastrowid or 0), run, time_s, utc, kind, text, data))
            self.db.execute("COMMIT")
        except BaseException:
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
            raise
        return done

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
                self.db.execute(
                    "INSERT INTO raw_blocks"
                    " (session, run, first_s, last_s, readings, low_kg, high_kg, packed)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        session,
                        run,
                        min(r.time_s for r in readings),
                        max(r.time_s for r in readings),
                        len(readings),
                        min(values, default=None),
                        max(values, default=None),
                        raw_blocks.pack(readings),
                    ),
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

    # -- reading -----------------------------------------------------------------------------

    def _by_key(self, key: str) -> LogEvent | None:
        return next(self._events("key = ?", (key,)), None)

    def _events(self, where: str, values: tuple[Any, ...], tail: str = "ORDER BY id") -> Iterator[LogEvent]:
        query = f"SELECT id, run, time_s, utc, kind, text, data FROM events WHERE {where} {tail}"
        for number, run, time_s, utc, kind, text, data in self.db.execute(query, values):
            yield LogEvent(number, run, time_s, utc, kind, text, json.loads(data))

    def events(self, run: int) -> list[LogEvent]:
        """All of a run's events, in order."""
        return list(self._events("run = ?", (run,)))

    def last_events(self, count: int) -> list[LogEvent]:
        """The newest events of all runs and none, oldest first."""
        return list(self._events("1", (count,), "ORDER BY id DESC LIMIT ?"))[::-1]

    def last_data(self, kind: str, count: int) -> list[dict[str, Any]]:
        """What the last ``count`` entries of one kind hold, oldest first."""
        found = list(self._events("kind = ?", (kind, count), "ORDER BY id DESC LIMIT ?"))
        return [event.data for event in reversed(found)]

    def last_time(self) -> tuple[float, str] | None:
        """The last moment known to the store: the daemon's clock in s, and UTC."""
        row = self.db.execute("SELECT time_s, utc FROM events ORDER BY id DESC LIMIT 1").fetchone()
        if row is None:
            return None
        block = self.db.execute("SELECT max(last_s) FROM raw_blocks").fetchone()[0]
        return max(float(row[0]), float(block or 0.0)), str(row[1])

    def run_numbers(self) -> list[int]:
        """The numbers of all runs, oldest first."""
        rows = self.db.execute("SELECT DISTINCT run FROM events WHERE run IS NOT NULL ORDER BY run")
        return [int(row[0]) for row in rows]

    def record(self, run: int) -> RunRecord:
        """A run, rebuilt from its events. Raises StoreError when there is none of that number."""
        events = self.events(run)
        if not events:
            raise StoreError(f"there is no run {run} in {self.path}; `weighloop runs` lists them")
        return replay(run, events)

    def run(self, number: int) -> Run:
        """A run whole, as clients see it."""
        from ..procedure.events import BenchState
        from ..procedure.next_task import action_of

        record = self.record(number)
        return to_protocol(record, action_of(record, BenchState()))

    def runs(self) -> list[RunLine]:
        """All runs, one line each, newest last."""
        return [run_line(self.record(number)) for number in self.run_numbers()]

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
        """Every fault found: the file's pages, the log, each run's replay, each block. Empty when sound."""
        faults: list[str] = []
        try:
            faults += [
                f"pages: {row[0]}" for row in self.db.execute("PRAGMA integrity_check") if row[0] != "ok"
            ]
            faults += [f"references: {row}" for row in self.db.execute("PRAGMA foreign_key_check")]
            for number in self.run_numbers():
                try:
                    run = self.record(number)
                    steps = [p["step"] for p in run.points if p["set_aside"] is None]
                    faults += [
                        f"run {number}: step {s} has two readings" for s in set(steps) if steps.count(s) > 1
                    ]
                except (KeyError, TypeError, ValueError) as error:
                    faults.append(f"run {number}: its log cannot be replayed ({error!r})")
            for table in ("raw_blocks", "raw_tail"):
                for number, packed in self.db.execute(f"SELECT id, packed FROM {table}"):
                    try:
                        raw_blocks.unpack(packed)
                    except ValueError as error:
                        faults.append(f"{table} {number}: {error}")
        except sqlite3.DatabaseError as error:
            faults.append(f"file: {error}")
        return faults

    def quick_check(self) -> str | None:
        """What is wrong with the file's pages, or None; quick enough for every start."""
        try:
            row = self.db.execute("PRAGMA quick_check(1)").fetchone()
        except sqlite3.DatabaseError as error:
            return str(error)
        return None if row[0] == "ok" else str(row[0])

    def close(self) -> None:
        """Let go of the file."""
        self.db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
