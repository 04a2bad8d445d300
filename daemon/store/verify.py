"""Every fault of a store: its pages, each row's sum, the events' chain, each run's replay, each block."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from typing import Any

from ..procedure.run import RunRecord
from . import raw_blocks
from .checksums import FIRST_LINK, link_sum, row_sum
from .log_rows import Damage, event_of
from .migrations import EVENT_COLUMNS, SUMMED, migrate
from .run_lines import run_line


def verify(db: sqlite3.Connection, replayed: Callable[[int], RunRecord]) -> list[str]:
    """The faults found, in words; empty for a sound store. ``replayed`` gives a run from its events."""
    faults: list[str] = []
    try:
        faults += [f"pages: {row[0]}" for row in db.execute("PRAGMA integrity_check") if row[0] != "ok"]
        faults += [f"references: {row}" for row in db.execute("PRAGMA foreign_key_check")]
        faults += _schema(db)
        faults += _chain(db)
        faults += _sums(db)
        for (number,) in db.execute("SELECT DISTINCT run FROM events WHERE run IS NOT NULL ORDER BY run"):
            faults += _run(db, replayed(number))
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # its own messages carry damaged names
        faults.append(f"file: {error}")
    return list(dict.fromkeys(faults))


def _schema(db: sqlite3.Connection) -> Iterator[str]:
    """Tables, views and triggers that are not as this program makes them."""
    made = sqlite3.connect(":memory:", isolation_level=None)
    migrate(made)
    query = "SELECT type, name, tbl_name, sql FROM sqlite_master"
    found = set(db.execute(query))
    for kind, name, *_ in set(made.execute(query)) - found:
        yield f"{kind} {name}: it is missing or was changed"
    made.close()


def _chain(db: sqlite3.Connection) -> Iterator[str]:
    """Damaged events, and places where one is missing or was put in."""
    before = FIRST_LINK
    for *content, own, link in db.execute(f"SELECT {EVENT_COLUMNS}, own, link FROM events ORDER BY id"):
        event = event_of(db, tuple(content), own, link)
        if isinstance(event, Damage):
            yield event.text
        elif row_sum(*content) != own:
            yield f"event {event.id}: its checksum is damaged; its content is sound"
        elif link_sum(before, own) != link:
            yield f"event {event.id}: the event before it is missing or was changed, or its own link was"
        before = bytes(link or b"")
    last = db.execute("SELECT max(id) FROM events").fetchone()[0] or 0
    given = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'events'").fetchone()
    if (given[0] if given else 0) != last:
        yield f"events: the last one is {last}, but {given[0] if given else 0} were given out"


def _sums(db: sqlite3.Connection) -> Iterator[str]:
    for table, columns in SUMMED.items():
        for *content, own in db.execute(f"SELECT {columns}, own FROM {table}"):
            if row_sum(*content) != own:
                yield f"{table} {content[0]}: its content or its checksum is damaged"
            if not table.startswith("raw"):
                continue
            try:
                raw_blocks.unpack(content[-1])
            except (ValueError, TypeError) as error:
                yield f"{table} {content[0]}: {error}"


def _run(db: sqlite3.Connection, run: RunRecord) -> Iterator[str]:
    yield from run.warnings
    steps = [p["step"] for p in run.points if p["set_aside"] is None]
    yield from (f"run {run.id}: step {s} has two readings" for s in set(steps) if steps.count(s) > 1)
    kept = db.execute("SELECT line FROM run_lines WHERE run = ?", (run.id,)).fetchone()
    if kept is not None and not run.warnings and _loaded(kept[0]) != run_line(run):
        yield f"run {run.id}: its line in the list is not what its events say"


def _loaded(text: Any) -> Any:
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        return None
