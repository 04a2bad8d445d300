"""Each run in one line of the list, kept with its events so that a long list needs no replay.

It follows from the events and is nothing of its own: written in the transaction of each event, made again
where it is missing, does not reach to the last event or cannot be read.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from functools import reduce

from ..procedure.run import LogEvent, RunRecord, apply
from ..protocol import RunLine

#: Runs kept folded for their next event: the one under way, and some that are planned.
KEPT = 8


def run_line(run: RunRecord) -> RunLine:
    """The run in one line of the list."""
    return {
        "id": run.id,
        "sample": run.sample,
        "state": run.state,
        "why": run.why,
        "started_utc": run.started_utc,
        "ended_utc": run.ended_utc,
        "points": sum(p["kind"] == "point" and p["set_aside"] is None for p in run.points),
        "notes": list(run.notes),
        "hidden": run.hidden,
        "upto": run.upto,
    }


class RunLines:
    """Writes the lines; ``replayed`` gives a run whole from its events."""

    def __init__(self, db: sqlite3.Connection, replayed: Callable[[int], RunRecord]) -> None:
        self._db, self._replayed = db, replayed
        self._runs: dict[int, RunRecord] = {}

    def follow(self, events: list[LogEvent]) -> None:
        """Bring the lines up to these events, which have just been written; in their transaction."""
        fresh: dict[int, list[LogEvent]] = {}
        for event in events:
            if event.run is not None:
                fresh.setdefault(event.run, []).append(event)
        for number, its in fresh.items():
            run = self._runs.pop(number, None)
            run = self._replayed(number) if run is None else reduce(apply, its, run)
            self._runs[number] = run
            self._write(number, its[-1].id, run_line(run))
        while len(self._runs) > KEPT:
            del self._runs[next(iter(self._runs))]

    def _write(self, run: int, upto: int, line: RunLine) -> None:
        self._db.execute(
            "INSERT OR REPLACE INTO run_lines (run, upto, line) VALUES (?, ?, ?)",
            (run, upto, json.dumps(line)),
        )

    def forget(self) -> None:
        """The transaction was not committed: what was folded is not known."""
        self._runs.clear()

    def make_missing(self) -> None:
        """Make the lines that are not there, reach less far than their run's events, or lack what lines have
        now (an older program wrote them)."""
        older = self._db.execute("SELECT run FROM run_lines WHERE line NOT LIKE '%\"upto\"%'").fetchall()
        for run in {*missing(self._db), *(int(row[0]) for row in older)}:
            events = self._db.execute("SELECT max(id) FROM events WHERE run = ?", (run,)).fetchone()
            self._write(run, events[0], run_line(self._replayed(run)))


def missing(db: sqlite3.Connection) -> list[int]:
    """Runs whose line is not there or is behind their events."""
    # The sign keeps SQLite from the index by run, all of which it would read: few events are newer.
    ahead = db.execute(
        "SELECT DISTINCT run FROM events WHERE +run IS NOT NULL"
        " AND id > (SELECT coalesce(max(upto), 0) FROM run_lines)"
    ).fetchall()
    if not ahead and db.execute("SELECT count(*) = coalesce(max(run), 0) FROM run_lines").fetchone()[0]:
        return []  # numbers go from 1 without a gap: none is missing
    rows = db.execute(
        "SELECT e.run FROM (SELECT run, max(id) AS last FROM events WHERE run IS NOT NULL GROUP BY run) AS e"
        " LEFT JOIN run_lines AS l ON l.run = e.run WHERE l.upto IS NULL OR l.upto < e.last"
    ).fetchall()
    return [int(row[0]) for row in rows]


def read_lines(db: sqlite3.Connection, replayed: Callable[[int], RunRecord]) -> list[RunLine]:
    """All runs, one line each, newest last."""
    behind = missing(db)
    if not behind:
        whole = db.execute(
            "SELECT '[' || group_concat(line) || ']' FROM (SELECT line FROM run_lines ORDER BY run)"
        )
        try:
            return json.loads(whole.fetchone()[0] or "[]")
        except (ValueError, sqlite3.OperationalError):
            pass  # one of them cannot be read; each by itself
    lines: dict[int, RunLine] = {}
    for run, line in db.execute("SELECT run, line FROM run_lines ORDER BY run"):
        try:
            lines[run] = json.loads(line)
        except ValueError:
            behind.append(run)
    lines |= {run: run_line(replayed(run)) for run in behind}
    return [lines[run] for run in sorted(lines)]
