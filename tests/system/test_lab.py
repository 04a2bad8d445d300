"""Two benches, a real broker and database: what is in the stores is in the archive, once and to the bit."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from click.testing import CliRunner

from tests.support.store.lab_store import weigh
from weighloop.daemon.lab.archive import Archive
from weighloop.daemon.lab.engines import Engines, missing
from weighloop.daemon.lab.messages import TABLES, Course, EventBatch, OpenBlock
from weighloop.daemon.lab.reanalysis import Settings, figures_of, reanalyse
from weighloop.daemon.lab.trial import arrived, lab_process
from weighloop.daemon.store.raw_blocks import Raw
from weighloop.daemon.store.store import Store
from weighloop.tui.cli import weighloop

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(missing()), reason="needs the packages mosquitto and postgresql"),
]


def all_there(archive: Archive, stores: dict[str, Path]) -> bool:
    """Whether the archive holds of each store every row of both tables as it stands there, and no other."""
    whole = []
    for bench, path in stores.items():
        with Store(path, read_only=True) as store:
            whole += [arrived(archive, store, bench, table).whole for table in TABLES]
    return all(whole)


def until(what: Callable[[], bool], seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.2)


@pytest.mark.timeout(180)
def test_what_is_weighed_is_archived_once_through_kills_and_restores(tmp_path: Path) -> None:
    stores = {f"bench-{n}": tmp_path / f"{n}.sqlite" for n in (1, 2)}
    for path in stores.values():
        weigh(path)
    with ExitStack() as stack:
        engines = stack.enter_context(Engines())
        broker = ("--broker", f"127.0.0.1:{engines.broker_port}")
        keeper = stack.enter_context(lab_process("archive", "--database", engines.dsn, *broker))
        senders = {
            bench: stack.enter_context(
                lab_process("forward", "--bench", bench, "--store", str(path), *broker)
            )
            for bench, path in stores.items()
        }
        archive = stack.enter_context(Archive(engines.dsn))
        archive.migrate()
        until(lambda: all_there(archive, stores))
        with Store(stores["bench-1"], read_only=True) as store:  # a comparison that can fail
            other = arrived(archive, store, "bench-9", "events")
        assert other.stored == other.lost > 20
        assert not other.whole

        # Everything is killed, one after the other, while more is weighed.
        engines.kill_broker()
        weigh(stores["bench-1"], runs=2)
        senders["bench-1"].kill()
        keeper.kill()
        engines.start_broker()
        stack.enter_context(
            lab_process("forward", "--bench", "bench-1", "--store", str(stores["bench-1"]), *broker)
        )
        stack.enter_context(lab_process("archive", "--database", engines.dsn, *broker))
        until(lambda: all_there(archive, stores))

        # The database is stopped at once, and half of what it had is gone when it is back.
        archive.close()
        engines.stop_database_at_once()
        engines.start_database()
        archive = stack.enter_context(Archive(engines.dsn))
        archive.db.execute("ALTER TABLE events DISABLE TRIGGER events_stay")
        archive.db.execute("DELETE FROM events WHERE id > 20; UPDATE courses SET events = 20")
        archive.db.execute("ALTER TABLE events ENABLE TRIGGER events_stay")
        weigh(stores["bench-1"])
        weigh(stores["bench-2"])
        until(lambda: all_there(archive, stores))
        with pytest.raises(Exception, match="append-only"):
            archive.db.execute("UPDATE events SET kind = 'other'")

        check_figures(archive)
        views(archive)
        open_readings(archive, stores["bench-2"])
        archived_runs_on_the_command_line(engines.dsn)
        who_may_what(archive, engines)


def archived_runs_on_the_command_line(dsn: str) -> None:
    """A run of the archive is an INPUT like any other; the benches' biases are those of its figures."""
    words = ["figures", "bench-1:1", "--method", "mean", "--trials", "100", "--seed", "5", "--json"]
    printed = CliRunner().invoke(weighloop, words, env={"WEIGHLOOP_ARCHIVE": dsn})
    assert printed.exit_code == 0, printed.output
    here = json.loads(printed.stdout)["figures"]["remanence_A_per_m"]["value"]
    found = CliRunner().invoke(weighloop, ["lab", "biases", "WP-07-1", "--database", dsn, "--json"])
    assert found.exit_code == 0, found.output
    remanence = json.loads(found.stdout)["remanence_A_per_m"]
    assert [one["bench"] for one in remanence["benches"]] == ["bench-1", "bench-2"]
    assert remanence["assigned"]["value"] == pytest.approx(here)
    assert all(one["bias"] == pytest.approx(0.0, abs=1e-6 * here) for one in remanence["benches"])
    assigned = ["--figure", "remanence_A_per_m", "--assigned", "100 kA/m +/- 1 kA/m"]
    against = CliRunner().invoke(weighloop, ["lab", "biases", "WP-07-1", "--database", dsn, *assigned])
    assert "assigned: 100.0 kA/m, u 1.0 kA/m" in against.stdout, against.output
    missing_run = CliRunner().invoke(weighloop, ["figures", "bench-1:99"], env={"WEIGHLOOP_ARCHIVE": dsn})
    assert "no run 99 of bench-1" in missing_run.output
    assert missing_run.exit_code == 1


def open_readings(archive: Archive, path: Path) -> None:
    """Raw readings that stand in no block yet are in the archive, and make room for their block."""
    with Store(path) as store:
        store.begin_session("boot", "1", "2026-03-04T05:06:07+00:00", 0.0)
        store.append(raw=[(2, [Raw(1.0, 2e-6, "steady")])])
        identity = store.identity
        course = Course("bench-2", identity["uuid"], identity["epoch"])
        here = store.db.execute("SELECT session, run, packed FROM raw_tail ORDER BY id").fetchall()
        until(lambda: archive.open_block(course) == here)
        before = archive.holds(course)["raw"]
        store.pack_tail(1)
        until(lambda: archive.holds(course)["raw"] == before + 1)
        assert archive.open_block(course) == []


def who_may_what(archive: Archive, engines: Engines) -> None:
    """One who fills the archive adds rows and changes none; one who reads only reads."""
    for name, role in (("filler", "weighloop_bench"), ("reader", "weighloop_people")):
        archive.db.execute(f"CREATE ROLE {name} LOGIN IN ROLE {role}")  # pyright: ignore[reportArgumentType]
    dsn = engines.dsn.replace("user=weighloop", "user={}")
    course = Course("bench-9", str(uuid4()), str(uuid4()))
    row = (1, 1, None, 0.0, "2026-03-04T05:06:07+00:00", "note", "a note", "{}", None, None)
    with Archive(dsn.format("filler")) as filler:
        filler.take([(course, EventBatch("events", 0, (row,)))])
        filler.keep_open(course, OpenBlock(0, ((1, None, b"x"),)))
        filler.keep_open(course, OpenBlock(0, ()))
        assert filler.holds(course)["events"] == 1
        assert filler.migrate() == []
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            filler.db.execute("DELETE FROM events")
    with Archive(dsn.format("reader")) as reader:
        assert len(reader.rows(course, "events")) == 1
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            reader.take([(course, EventBatch("events", 1, ((2, *row[1:]),)))])


def check_figures(archive: Archive) -> None:
    """Each run is analysed once, by workers of its own, and has the figures that the bench finds."""
    settings = Settings("mean", 100, 5)
    done = reanalyse(archive, settings, workers=1)
    assert [one.why for one in done] == [None] * 6
    assert reanalyse(archive, settings, workers=1) == []
    one = done[0].run
    _, expected = figures_of(one.run, archive.run_rows(one), settings)
    found = archive.db.execute(
        "SELECT figure, value, u, low95, high95, status, why FROM figures WHERE (bench, run) = (%s, %s)",
        (one.course.bench, one.run),
    ).fetchall()
    assert sorted(found) == sorted(expected)


def views(archive: Archive) -> None:
    runs = archive.db.execute("SELECT bench, run, sample, state FROM runs ORDER BY bench, run").fetchall()
    assert [run[:2] for run in runs] == [("bench-1", n) for n in (1, 2, 3, 4)] + [
        ("bench-2", n) for n in (1, 2)
    ]
    assert {run[2:] for run in runs} == {("WP-07-1", "finished")}
    assert archive.db.execute("SELECT count(*) FROM points WHERE value_kg IS NULL").fetchone() == (0,)
