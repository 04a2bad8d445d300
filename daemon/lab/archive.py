"""The archive in PostgreSQL: takes batches, says what it holds, gives runs out for analysis."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, LiteralString, cast

import psycopg
from psycopg.conninfo import make_conninfo

from ...analysis.errors import WeighloopError
from . import schema
from .messages import Course, EventBatch, OpenBlock, Table


class ArchiveError(WeighloopError):
    """The archive cannot be used; the message says why."""


_WHOSE: LiteralString = "bench = %s AND store = %s AND epoch = %s"
_INSERT: dict[Table, LiteralString] = {
    "events": "INSERT INTO events (bench, store, epoch, id, session, run, time_s, utc, kind, text, content,"
    " key, own, data) VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
    "raw": "INSERT INTO raw_blocks (bench, store, epoch, id, session, run, first_s, last_s, readings,"
    " low_kg, high_kg, packed, own) VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
    " ON CONFLICT DO NOTHING",
}
#: The last number moves on only where nothing is missing before the batch.
_MOVE_ON: dict[Table, LiteralString] = {
    "events": f"UPDATE courses SET events = %s WHERE {_WHOSE} AND events >= %s AND events < %s",
    "raw": f"UPDATE courses SET raw = %s WHERE {_WHOSE} AND raw >= %s AND raw < %s",
}
_FIGURES: LiteralString = (
    "INSERT INTO run_figures (bench, store, epoch, run, upto, settings, version, figure, value, u, low95,"
    " high95, status, why) VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
    " ON CONFLICT DO NOTHING"
)
_NOT_DONE: LiteralString = (
    "SELECT bench, store::text, epoch::text, run, upto FROM runs r WHERE points > 0"
    " AND state IN ('finished', 'stopped') AND NOT EXISTS (SELECT FROM run_figures f WHERE"
    " (f.bench, f.store, f.epoch, f.run, f.upto) = (r.bench, r.store, r.epoch, r.run, r.upto)"
    " AND f.settings = %s AND f.version = %s) ORDER BY bench, store, epoch, run"
)
_NO_TEXT = re.compile("[\0\ud800-\udfff]")
#: One archive migrates at a time; any number that no other program is likely to take.
_LOCK = 7_308_915


@dataclass(frozen=True)
class ArchivedRun:
    """One run in the archive, as it stood with event ``upto``."""

    course: Course
    run: int
    upto: int


class Archive:
    """One connection to the archive. Not for several threads at once; use as a context manager.

    ``dsn``: what PostgreSQL's own library takes, such as ``host=... dbname=weighloop user=...``; passwords
    belong into its password file. Raises ArchiveError where it cannot be reached.
    """

    def __init__(self, dsn: str) -> None:
        try:
            self.db = psycopg.connect(
                make_conninfo(dsn, connect_timeout=10, application_name="weighloop"), autocommit=True
            )
        except psycopg.Error as error:
            raise ArchiveError(f"the archive's database cannot be reached: {in_words(error)}") from None
        self.stored = self.repeated = 0

    def migrate(self) -> list[str]:
        """Make the schema's steps that are still missing; returns their names. Raises ArchiveError.

        Who may make no tables can still use those that are there.
        """
        made = []
        try:
            if self._steps_made() == len(schema.STEPS):
                return []
            with self.db.transaction():
                self.db.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
                self.db.execute(
                    "CREATE TABLE IF NOT EXISTS schema_steps"
                    " (step int PRIMARY KEY, name text NOT NULL, made timestamptz NOT NULL DEFAULT now())"
                )
                done = self._steps_made()
            if done > len(schema.STEPS):
                raise ArchiveError(
                    f"the archive was made by a newer program (step {done}, this one knows"
                    f" {len(schema.STEPS)})"
                )
            for number, (name, script) in enumerate(schema.STEPS[done:], start=done + 1):
                with self.db.transaction():
                    self.db.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
                    taken = self.db.execute(
                        "INSERT INTO schema_steps (step, name) VALUES (%s, %s) ON CONFLICT DO NOTHING",
                        (number, name),
                    )
                    if taken.rowcount:  # else another archive has made it meanwhile
                        self.db.execute(cast(LiteralString, script))
                        made.append(name)
        except psycopg.Error as error:
            raise ArchiveError(f"the archive's tables cannot be made: {in_words(error)}") from None
        return made

    def _steps_made(self) -> int:
        if self.db.execute("SELECT to_regclass('schema_steps')").fetchone() == (None,):
            return 0
        row = self.db.execute("SELECT coalesce(max(step), 0) FROM schema_steps").fetchone()
        return int(row[0]) if row else 0

    def take(self, batches: Sequence[tuple[Course, EventBatch]]) -> None:
        """Commit the batches together. Raises psycopg.Error, and then none of them is there."""
        with self.db.transaction(), self.db.cursor() as cursor:
            for course, batch in batches:
                whose = (course.bench, course.store, course.epoch)
                cursor.execute(
                    "INSERT INTO courses (bench, store, epoch) VALUES (%s, %s, %s) ON CONFLICT DO NOTHING",
                    whose,
                )
                rows = [(*whose, *as_stored(batch.table, row)) for row in batch.rows]
                cursor.executemany(_INSERT[batch.table], rows)
                stored = max(cursor.rowcount, 0)
                self.stored += stored
                self.repeated += len(rows) - stored
                cursor.execute(_MOVE_ON[batch.table], (batch.last, *whose, batch.after, batch.last))

    def keep_open(self, course: Course, block: OpenBlock) -> None:
        """What stands in no block yet, in the place of what was said before. Raises psycopg.Error."""
        whose = (course.bench, course.store, course.epoch)
        with self.db.transaction(), self.db.cursor() as cursor:
            cursor.execute(f"DELETE FROM open_pieces WHERE {_WHOSE}", whose)
            cursor.executemany(
                "INSERT INTO open_pieces (bench, store, epoch, piece, after, session, run, packed)"
                " VALUES (%s, %s, %s, %s, %s, %s, %s, %s)",
                [(*whose, number, block.after, *piece) for number, piece in enumerate(block.pieces)],
            )

    def open_block(self, course: Course) -> list[tuple[int, int | None, bytes]]:
        """``(session, run, packed)`` of what stands in no block yet; none where a newer block is here."""
        found = self.db.execute(
            f"SELECT session, run, packed FROM open_block WHERE {_WHOSE} ORDER BY piece",
            (course.bench, course.store, course.epoch),
        )
        return list(found)

    def holds(self, course: Course) -> dict[Table, int]:
        """Up to which row of each table every one is here. Raises psycopg.Error."""
        row = self.db.execute(
            f"SELECT events, raw FROM courses WHERE {_WHOSE}", (course.bench, course.store, course.epoch)
        ).fetchone()
        return {"events": int(row[0]), "raw": int(row[1])} if row else {"events": 0, "raw": 0}

    def courses(self) -> list[Course]:
        """Every course of every store here, oldest first."""
        rows = self.db.execute("SELECT bench, store::text, epoch::text FROM courses ORDER BY since, bench")
        return [Course(*row) for row in rows]

    def rows(self, course: Course, table: Table) -> list[tuple[Any, ...]]:
        """All rows of a course in the columns of the store."""
        columns: LiteralString = (
            "SELECT id, session, run, time_s, utc, kind, text, content, key, own FROM events"
            if table == "events"
            else "SELECT id, session, run, first_s, last_s, readings, low_kg, high_kg, packed, own"
            " FROM raw_blocks"
        )
        found = self.db.execute(
            f"{columns} WHERE {_WHOSE} ORDER BY id", (course.bench, course.store, course.epoch)
        )
        return list(found)

    def to_analyse(self, settings: str, version: str) -> list[ArchivedRun]:
        """The ended runs that have no figures yet by these settings and this program."""
        rows = self.db.execute(_NOT_DONE, (settings, version)).fetchall()
        return [ArchivedRun(Course(*row[:3]), int(row[3]), int(row[4])) for row in rows]

    def run_of(self, bench: str, run: int) -> ArchivedRun:
        """Run ``run`` of a bench, in the course that goes on. Raises ArchiveError where there is none."""
        row = self.db.execute(
            "SELECT store::text, epoch::text, max(id) FROM events JOIN courses USING (bench, store, epoch)"
            " WHERE bench = %s AND run = %s GROUP BY store, epoch, since ORDER BY since DESC LIMIT 1",
            (bench, run),
        ).fetchone()
        if row is None:
            raise ArchiveError(f"the archive has no run {run} of {bench}")
        return ArchivedRun(Course(bench, row[0], row[1]), run, int(row[2]))

    def figures_of_sample(self, sample: str) -> list[tuple[str, str, float, float, str]]:
        """The newest figures of every ended run of a sample: ``(bench, figure, value, u, status)``, SI.

        Of each run those made last, whatever their settings; figures without an uncertainty are left out.
        """
        found = self.db.execute(
            "SELECT bench, figure, value, u, status FROM (SELECT DISTINCT ON (f.bench, f.store, f.epoch,"
            " f.run, figure) f.* FROM run_figures f JOIN runs r USING (bench, store, epoch, run)"
            " WHERE r.sample = %s"
            " ORDER BY f.bench, f.store, f.epoch, f.run, figure, f.made DESC) newest"
            " WHERE value IS NOT NULL AND u IS NOT NULL",
            (sample,),
        )
        return list(found)

    def run_rows(self, wanted: ArchivedRun) -> list[tuple[Any, ...]]:
        """The events of a run as they were in the bench's store."""
        course = wanted.course
        found = self.db.execute(
            "SELECT id, session, run, time_s, utc, kind, text, content, key, own FROM events"
            f" WHERE {_WHOSE} AND run = %s AND id <= %s ORDER BY id",
            (course.bench, course.store, course.epoch, wanted.run, wanted.upto),
        )
        return list(found)

    def figures(self, of: ArchivedRun, settings: str) -> list[tuple[Any, ...]]:
        """The newest figures of a run by these settings: ``(name, value, u, low95, high95, status, why)``."""
        course = of.course
        found = self.db.execute(
            f"SELECT figure, value, u, low95, high95, status, why FROM figures WHERE {_WHOSE} AND run = %s"
            " AND settings = %s",
            (course.bench, course.store, course.epoch, of.run, settings),
        )
        return list(found)

    def put_figures(
        self, of: ArchivedRun, settings: str, version: str, figures: Iterable[Sequence[Any]]
    ) -> None:
        """Figures ``(name, value, u, low95, high95, status, why)``; what stands there stays.

        Raises psycopg.Error.
        """
        course = of.course
        head = (course.bench, course.store, course.epoch, of.run, of.upto, settings, version)
        with self.db.transaction(), self.db.cursor() as cursor:
            cursor.executemany(_FIGURES, [(*head, *figure) for figure in figures])

    def close(self) -> None:
        """Close the connection."""
        self.db.close()

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def as_stored(table: Table, row: tuple[Any, ...]) -> tuple[Any, ...]:
    """A row of the store in the archive's columns. The database's texts hold neither NUL nor half a surrogate
    pair: they become U+FFFD."""
    clean = tuple(_NO_TEXT.sub("\ufffd", v) if isinstance(v, str) else v for v in row)
    return clean if table == "raw" else (*clean, as_json(str(row[7])))


def as_json(content: str) -> str | None:
    """The text where the database's own JSON can hold it, else None (NUL and half a surrogate pair, NaN)."""
    try:
        value = json.loads(content, parse_constant=_no_number, parse_float=_finite)
        plain = json.dumps(value, ensure_ascii=False)
        plain.encode()
    except (ValueError, RecursionError):
        return None
    return None if "\\u0000" in plain.replace("\\\\", "") else content


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number in JSON")


def _finite(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else _no_number(text)


def in_words(error: psycopg.Error) -> str:
    """The first line of what the database says."""
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
