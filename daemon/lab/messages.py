"""What goes over the broker between a bench's forwarder and the archive: topics, batches of rows, words.

``weighloop/BENCH/STORE/EPOCH/`` followed by ``events`` or ``raw`` (rows, to the archive), ``open`` (raw
readings in no block yet, to the archive), ``hello`` (a question, to the archive) or ``archived`` (the
archive's answer). ``weighloop/BENCH/online`` is kept by the broker and says 1, or 0 by the last will;
``weighloop/BENCH/live`` is kept too, for dashboards: nothing is ever taken up from it. Rows are those of the
store, column by column, with their own checksum.
"""

from __future__ import annotations

import base64
import json
import re
from dataclasses import dataclass
from typing import Any, Literal
from uuid import UUID

from ..store.migrations import EVENT_COLUMNS, SUMMED

Table = Literal["events", "raw"]
TABLES: tuple[Table, ...] = ("events", "raw")
#: The store's columns that travel, by table, in the order in which they travel.
COLUMNS: dict[Table, str] = {"events": f"{EVENT_COLUMNS}, own", "raw": f"{SUMMED['raw_blocks']}, own"}
#: Events in one message, and blocks of 4,096 raw readings.
BATCH: dict[Table, int] = {"events": 50, "raw": 4}

_NUMBER, _TEXT, _BYTES = (int, float), (str,), (bytes,)
_KINDS: dict[Table, tuple[tuple[tuple[type, ...], bool], ...]] = {  # of each column; whether it may be empty
    "events": (
        ((int,), False), ((int,), False), ((int,), True), (_NUMBER, False), (_TEXT, False), (_TEXT, False),
        (_TEXT, False), (_TEXT, False), (_TEXT, True), (_BYTES, True),
    ),
    "raw": (
        ((int,), False), ((int,), False), ((int,), True), (_NUMBER, False), (_NUMBER, False), ((int,), False),
        (_NUMBER, True), (_NUMBER, True), (_BYTES, False), (_BYTES, True),
    ),
}  # fmt: skip
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
_LARGEST = 2**63 - 1


def check_name(bench: str) -> str:
    """The bench's name, which stands in topics and tables. Raises ValueError for one that cannot."""
    if not _NAME.fullmatch(bench):
        raise ValueError(
            f"{bench!r} cannot name a bench here; write 1 to 64 letters, digits, '-', '_' or '.',"
            " such as bench-2"
        )
    return bench


@dataclass(frozen=True)
class Course:
    """One course of one store at one bench: a restored copy that goes on is another course."""

    bench: str
    store: str
    epoch: str

    def topic(self, word: str) -> str:
        """Where ``word`` of this course is said."""
        return f"weighloop/{self.bench}/{self.store}/{self.epoch}/{word}"


def read_topic(topic: str) -> tuple[Course, str]:
    """The course and the word of a topic. Raises ValueError for one that is none of ours."""
    parts = topic.split("/")
    if len(parts) != 5 or parts[0] != "weighloop":
        raise ValueError(f"{topic!r} is no topic of a bench's store")
    _, bench, store, epoch, word = parts
    return Course(check_name(bench), str(UUID(store)), str(UUID(epoch))), word


@dataclass(frozen=True)
class EventBatch:
    """Rows of one table that follow each other in the store; before the first there is ``after`` or nothing.

    Numbers can be left out in a store, so that only the store can say what follows what.
    """

    table: Table
    after: int
    rows: tuple[tuple[Any, ...], ...]

    @property
    def last(self) -> int:
        """The number of the last row."""
        return int(self.rows[-1][0])


def encode(batch: EventBatch) -> bytes:
    """A batch as it travels: JSON, bytes in base64."""
    rows = [
        [base64.b64encode(v).decode("ascii") if isinstance(v, bytes) else v for v in r] for r in batch.rows
    ]
    return json.dumps({"after": batch.after, "rows": rows}, separators=(",", ":")).encode()


def decode(table: Table, payload: bytes) -> EventBatch:
    """The batch of a message. Raises ValueError for anything that is not one."""
    try:
        message = json.loads(payload)
        after = _whole(message["after"])
        rows = tuple(_row(table, row) for row in message["rows"])
    except (KeyError, TypeError, AttributeError, RecursionError, UnicodeDecodeError) as error:
        raise ValueError(f"no batch of rows: {error!r}") from None
    numbers = [row[0] for row in rows]
    if not numbers or any(a >= b for a, b in zip([after, *numbers], numbers, strict=False)):
        raise ValueError("no batch of rows: their numbers do not rise")
    return EventBatch(table, after, rows)


def _whole(value: Any) -> int:
    if type(value) is not int or not 0 <= value <= _LARGEST:
        raise ValueError(f"{value!r} is no number of a row")
    return value


def _row(table: Table, values: list[Any]) -> tuple[Any, ...]:
    row = tuple(
        base64.b64decode(value, validate=True) if kinds is _BYTES and isinstance(value, str) else value
        for value, (kinds, _) in zip(values, _KINDS[table], strict=True)
    )
    if not can_travel(table, row):
        raise ValueError(f"{row!r:.200} cannot stand in {table}")
    return row


def can_travel(table: Table, row: tuple[Any, ...]) -> bool:
    """Whether each column holds what it may: on a damaged disk any column can hold anything."""
    return all(
        may_be_empty
        if value is None
        else type(value) in kinds and (kinds != (int,) or 0 <= value <= _LARGEST)
        for value, (kinds, may_be_empty) in zip(row, _KINDS[table], strict=True)
    )


@dataclass(frozen=True)
class OpenBlock:
    """Raw readings that stand in no block yet: ``(session, run, packed)`` in order, after block ``after``."""

    after: int
    pieces: tuple[tuple[int, int | None, bytes], ...]

    def encode(self) -> bytes:
        """The block as it travels."""
        pieces = [(session, run, base64.b64encode(packed).decode()) for session, run, packed in self.pieces]
        return json.dumps({"after": self.after, "pieces": pieces}, separators=(",", ":")).encode()

    @classmethod
    def decode(cls, payload: bytes) -> OpenBlock:
        """The block of a message. Raises ValueError for anything that is not one."""
        try:
            said = json.loads(payload)
            pieces = tuple(
                (
                    _whole(session),
                    None if run is None else _whole(run),
                    base64.b64decode(packed, validate=True),
                )
                for session, run, packed in said["pieces"]
            )
            return cls(_whole(said["after"]), pieces)
        except (KeyError, TypeError, RecursionError, UnicodeDecodeError) as error:
            raise ValueError(f"no open block: {error!r}") from None


@dataclass(frozen=True)
class Archived:
    """The archive's word on one course: up to which row it holds every one, committed.

    ``session`` is one connection of the archive to its database; ``answers`` is the question it answers.
    """

    events: int
    raw: int
    session: str
    answers: str | None = None

    def encode(self) -> bytes:
        """The word as it travels."""
        return json.dumps(vars(self)).encode()

    @classmethod
    def decode(cls, payload: bytes) -> Archived:
        """The word of a message. Raises ValueError for anything that is not one."""
        try:
            said = json.loads(payload)
            answers = said["answers"]
            return cls(
                _whole(said["events"]),
                _whole(said["raw"]),
                str(said["session"]),
                None if answers is None else str(answers),
            )
        except (KeyError, TypeError, UnicodeDecodeError) as error:
            raise ValueError(f"no word of the archive: {error!r}") from None
