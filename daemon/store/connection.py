"""How SQLite is opened for the store, and what it says in words."""

from __future__ import annotations

import sqlite3
from pathlib import Path

#: How long a writer waits for another process's lock, s.
LOCK_PATIENCE = 5.0


def to_write(path: Path) -> sqlite3.Connection:
    """WAL and a full sync: what was committed survives a pulled plug. Raises sqlite3.Error."""
    db = sqlite3.connect(path, isolation_level=None, timeout=LOCK_PATIENCE, check_same_thread=False)
    db.text_factory = _text
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA wal_autocheckpoint = 500")
    return db


def to_read(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing. Raises sqlite3.Error."""
    where = f"{path.absolute().as_uri()}?mode=ro"
    db = sqlite3.connect(where, uri=True, isolation_level=None, check_same_thread=False)
    db.text_factory = _text
    db.execute("PRAGMA query_only = ON")
    return db


def _text(raw: bytes) -> str:
    """A damaged text must not keep the others from being read; its sum tells that it is damaged."""
    return raw.decode("utf-8", "replace")


def in_words(error: Exception, path: Path) -> str:
    """What SQLite or the system says of a store, with what would help."""
    said = str(error)
    if "readonly" in said or "read-only" in said.lower():
        return f"{said}: the disk or the folder {path.parent} is read-only, or belongs to somebody else"
    if "full" in said or "No space" in said:
        return f"{said}: make room on the disk of {path.parent}"
    if "unable to open" in said or "disk I/O" in said or isinstance(error, OSError):
        return f"{said}: look whether the folder {path.parent} is there, may be written and has room"
    if "locked" in said:
        return f"{said}: another program holds it"
    if isinstance(error, sqlite3.DatabaseError) and ("malformed" in said or "not a database" in said):
        return f"{said}. Put a backup in its place"
    return said
