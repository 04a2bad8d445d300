"""The log's rows as events, each checked against its own sum; a damaged one is reported, not believed."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ..procedure.run import LogEvent
from .checksums import FIRST_LINK, link_sum, row_sum
from .migrations import EVENT_COLUMNS


@dataclass(frozen=True)
class Damage:
    """An event that is not any more what was committed: its number, its run, and all in words."""

    id: int
    run: int | None
    text: str


def read_events(
    db: sqlite3.Connection, where: str, values: tuple[Any, ...], tail: str = "ORDER BY id"
) -> Iterator[LogEvent | Damage]:
    """The events that ``where`` selects, in order; a damaged one as its ``Damage``."""
    query = f"SELECT {EVENT_COLUMNS}, own, link FROM events WHERE {where} {tail}"
    for row in db.execute(query, values):
        yield event_of(db, row[:9], row[9], row[10])


def event_of(
    db: sqlite3.Connection, content: tuple[Any, ...], own: bytes | None, link: bytes | None
) -> LogEvent | Damage:
    """One row as an event, or what is wrong with it."""
    number, _, run, time_s, utc, kind, text, data, _ = content
    found = row_sum(*content)
    # With its sum damaged and not its content, the link still says that the content is right.
    if found != own and link_sum(_link_before(db, number), found) != link:
        return _damaged(number, run, kind, data)
    try:
        return LogEvent(number, run, time_s, utc, kind, text, json.loads(data))
    except ValueError:
        return _damaged(number, run, kind, data)


def _link_before(db: sqlite3.Connection, number: int) -> bytes:
    row = db.execute("SELECT link FROM events WHERE id < ? ORDER BY id DESC LIMIT 1", (number,)).fetchone()
    return FIRST_LINK if row is None else bytes(row[0] or b"")


def _damaged(number: int, run: Any, kind: Any, data: Any) -> Damage:
    """The run and the step in words, as far as they can still be read."""
    whose = f"run {run}" if isinstance(run, int) else "no run that can be named"
    step = ""
    with contextlib.suppress(
        ValueError, TypeError, KeyError
    ):  # a damaged one need not name its step any more
        step = f", step {int(json.loads(data)['point']['step'])}"
    text = f"event {number} ({kind!s} of {whose}{step}) is damaged and is left out"
    return Damage(number, run if isinstance(run, int) else None, text)
