"""How the store grew: each step in one transaction together with the note that it was made.

A released step is never changed; a new need is a new step at the end.
"""

from __future__ import annotations

import sqlite3

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

STEPS: tuple[tuple[str, str], ...] = (
    ("log and raw readings", _FIRST),
    ("what the lift measures, beside each reading", _TELEMETRY),
)


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
        # executescript commits an open transaction first, so the script carries its own.
        db.executescript(f"BEGIN IMMEDIATE; {script} PRAGMA user_version = {number}; COMMIT;")
        names.append(name)
    return names
