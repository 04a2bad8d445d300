"""How the store grew: each step in one transaction together with the note that it was made.

A released step is never changed; a new need is a new step at the end.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from uuid import uuid4

from ..clock import utc_now
from .checksums import FIRST_LINK, link_sum, row_sum

_FIRST = """
-- One row for each time the daemon ran: what the monotonic clock of its rows means.
CREATE TABLE sessions (
    id INTEGER PRIMARY KEY,
    boot_id TEXT NOT NULL,
    version TEXT NOT NULL,
    utc TEXT NOT NULL,
    clock_s REAL NOT NULL
);
-- The log: all that is known of the runs is in here and nowhere else.
CREATE TABLE events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    session INTEGER NOT NULL REFERENCES sessions (id),
    run INTEGER,
    time_s REAL NOT NULL,
    utc TEXT NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL,
    data TEXT NOT NULL,
    key TEXT UNIQUE
);
CREATE INDEX events_of_run ON events (run, id) WHERE run IS NOT NULL;
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN
    SELECT RAISE (ABORT, 'the log is append-only');
END;
CREATE TRIGGER events_remain BEFORE DELETE ON events BEGIN
    SELECT RAISE (ABORT, 'the log is append-only');
END;
-- Raw readings, packed; the open end is in raw_tail until there is enough for a block.
CREATE TABLE raw_blocks (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES sessions (id),
    run INTEGER,
    first_s REAL NOT NULL,
    last_s REAL NOT NULL,
    readings INTEGER NOT NULL,
    low_kg REAL,
    high_kg REAL,
    packed BLOB NOT NULL
);
CREATE INDEX raw_overview ON raw_blocks (run, first_s, last_s, readings, low_kg, high_kg);
CREATE TABLE raw_tail (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES sessions (id),
    run INTEGER,
    packed BLOB NOT NULL
);
-- For people with a general tool for such files.
CREATE VIEW points AS
    SELECT id, run, utc, kind,
           json_extract(data, '$.point.gap_m') AS gap_m,
           json_extract(data, '$.point.orientation') AS orientation,
           json_extract(data, '$.point.value_kg') AS value_kg,
           json_extract(data, '$.point.u_kg') AS u_kg
    FROM events WHERE kind IN ('zero', 'point');
"""

_TELEMETRY = """
DROP VIEW points;
CREATE VIEW points AS
    SELECT id, run, utc, kind,
           json_extract(data, '$.point.gap_m') AS gap_m,
           json_extract(data, '$.point.orientation') AS orientation,
           json_extract(data, '$.point.value_kg') AS value_kg,
           json_extract(data, '$.point.u_kg') AS u_kg,
           json_extract(data, '$.point.temperature_K') AS temperature_K,
           json_extract(data, '$.point.hall_V') AS hall_V,
           json_extract(data, '$.point.vibration_V') AS vibration_V
    FROM events WHERE kind IN ('zero', 'point');
"""

_SUMS = """
-- Checksums: `own` over a row's content, `link` chained to the event before.
ALTER TABLE sessions ADD COLUMN own BLOB;
ALTER TABLE raw_blocks ADD COLUMN own BLOB;
ALTER TABLE raw_tail ADD COLUMN own BLOB;
ALTER TABLE events ADD COLUMN own BLOB;
ALTER TABLE events ADD COLUMN link BLOB;
-- Which store this is, and which course of it: a copy that goes on by itself has an epoch of its own.
CREATE TABLE epochs (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL,
    epoch TEXT NOT NULL,
    utc TEXT NOT NULL,
    after_event INTEGER NOT NULL,
    own BLOB
);
-- Each run in one line of the list, kept with its events; follows from them and may be made again.
CREATE TABLE run_lines (
    run INTEGER PRIMARY KEY,
    upto INTEGER NOT NULL,
    line TEXT NOT NULL
);
DROP TRIGGER events_stay;
"""

_STAY = """CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN
    SELECT RAISE (ABORT, 'the log is append-only');
END"""


def _fill_sums(db: sqlite3.Connection) -> None:
    """Sums for what stands in the store already; within the step's transaction."""
    link = FIRST_LINK
    last = 0
    for number, content in _content(db, "events", EVENT_COLUMNS):
        own = row_sum(*content)
        link, last = link_sum(link, own), number
        db.execute("UPDATE events SET own = ?, link = ? WHERE id = ?", (own, link, number))
    db.execute(_STAY)
    for table, columns in SUMMED.items():  # of the epochs there is none yet
        for number, content in _content(db, table, columns):
            db.execute(f"UPDATE {table} SET own = ? WHERE id = ?", (row_sum(*content), number))
    new_epoch(db, str(uuid4()), last)


def _content(
    db: sqlite3.Connection, table: str, columns: str
) -> list[tuple[int, tuple[str | float | bytes | None, ...]]]:
    rows = db.execute(f"SELECT {columns} FROM {table} ORDER BY id").fetchall()
    return [(int(row[0]), tuple(row)) for row in rows]


def new_epoch(db: sqlite3.Connection, uuid: str, after_event: int) -> None:
    """Another course of the store ``uuid`` begins after event ``after_event``."""
    number = int(db.execute("SELECT coalesce(max(id), 0) + 1 FROM epochs").fetchone()[0])
    content = (number, uuid, str(uuid4()), utc_now(), after_event)
    db.execute(
        f"INSERT INTO epochs ({SUMMED['epochs']}, own) VALUES (?, ?, ?, ?, ?, ?)",
        (*content, row_sum(*content)),
    )


#: What a row's own sum is over, in this order.
EVENT_COLUMNS = "id, session, run, time_s, utc, kind, text, data, key"
SUMMED = {
    "sessions": "id, boot_id, version, utc, clock_s",
    "raw_blocks": "id, session, run, first_s, last_s, readings, low_kg, high_kg, packed",
    "raw_tail": "id, session, run, packed",
    "epochs": "id, uuid, epoch, utc, after_event",
}

STEPS: tuple[tuple[str, str], ...] = (
    ("log and raw readings", _FIRST),
    ("what the lift measures, beside each reading", _TELEMETRY),
    ("checksums, identity, one line a run", _SUMS),
)
#: What a step does beside its script, in the same transaction.
_FILL: dict[str, Callable[[sqlite3.Connection], None]] = {
    "checksums, identity, one line a run": _fill_sums,
}


def version(db: sqlite3.Connection) -> int:
    """How many steps this store has made."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection) -> list[str]:
    """Make the steps still missing; returns their names. The connection is in autocommit mode.

    Raises ValueError for a store of a newer program, and leaves it untouched.
    """
    made = version(db)
    if made > len(STEPS):
        raise ValueError(
            f"it was written by a newer program (store version {made}, this one knows {len(STEPS)})"
        )
    names = []
    for number, (name, script) in enumerate(STEPS[made:], start=made + 1):
        try:
            # executescript commits an open transaction first, so the script carries its own beginning.
            db.executescript(f"BEGIN IMMEDIATE; {script}")
            if (fill := _FILL.get(name)) is not None:
                fill(db)
            db.execute(f"PRAGMA user_version = {number}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        names.append(name)
    return names
