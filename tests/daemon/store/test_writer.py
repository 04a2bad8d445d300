"""The writer: heard of after the commit, in order; trouble costs time and nothing else."""

import sqlite3
import threading
import time
from pathlib import Path

import pytest

from weighloop.daemon.procedure.run import LogEvent
from weighloop.daemon.store.raw_blocks import Raw
from weighloop.daemon.store.store import Store
from weighloop.daemon.store.writer import LogWriter


class Heard:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.events: list[LogEvent] = []
        self.unseen: list[int] = []
        self.troubles: list[str] = []
        self.recovered = threading.Event()

    def committed(self, event: LogEvent) -> None:
        self.events.append(event)
        with sqlite3.connect(self.path) as db:  # another connection sees only what is committed
            if not db.execute("SELECT 1 FROM events WHERE id = ?", (event.id,)).fetchone():
                self.unseen.append(event.id)

    def wait(self, count: int, seconds: float = 60.0) -> None:
        end = time.monotonic() + seconds
        while len(self.events) < count:
            assert time.monotonic() < end, f"{len(self.events)} of {count}"
            time.sleep(0.01)


@pytest.fixture
def heard(tmp_path: Path) -> Heard:
    return Heard(tmp_path / "store.sqlite")


def log_writer(heard: Heard) -> LogWriter:
    store = Store(heard.path)
    store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
    store.db.execute("PRAGMA busy_timeout = 50")
    made = LogWriter(store, trouble=heard.troubles.append, recovered=heard.recovered.set)
    made.start()
    return made


def test_told_after_the_commit_and_in_order(heard: Heard) -> None:
    r = log_writer(heard)
    for number in range(60):
        r.record(1, float(number), "note", "", {"n": number}, on_committed=heard.committed)
    heard.wait(60)
    assert heard.unseen == []
    assert [e.data["n"] for e in heard.events] == list(range(60))
    assert r.close()


def test_raw_readings_are_written_before_a_later_entry(heard: Heard) -> None:
    r = log_writer(heard)
    r.raw(1, [Raw(0.1, 0.001, "steady")])
    r.record(1, 0.2, "note", "", on_committed=heard.committed)
    heard.wait(1)
    with Store(heard.path, read_only=True) as store:
        assert len(store.raw(1).time_s) == 1
    assert r.close()


def test_a_locked_store_delays_and_loses_nothing(heard: Heard) -> None:
    r = log_writer(heard)
    other = sqlite3.connect(heard.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    for number in range(5):
        r.record(1, float(number), "note", "", {"n": number}, on_committed=heard.committed)
    end = time.monotonic() + 60
    while not heard.troubles and time.monotonic() < end:
        time.sleep(0.01)
    assert heard.events == []
    assert len(heard.troubles) == 1
    assert "locked" in heard.troubles[0]
    other.execute("ROLLBACK")
    heard.wait(5)
    assert heard.recovered.wait(60)
    assert [e.data["n"] for e in heard.events] == [0, 1, 2, 3, 4]
    assert r.close()
    other.close()


def test_a_full_disk_delays_and_loses_nothing(heard: Heard) -> None:
    """SQLite's own limit on the file's pages gives the very error of a full disk (SQLITE_FULL)."""
    r = log_writer(heard)
    r.record(1, 0.0, "note", "", {"n": 0}, on_committed=heard.committed)
    heard.wait(1)
    pages = r.store.db.execute("PRAGMA page_count").fetchone()[0]
    r.store.db.execute(f"PRAGMA max_page_count = {pages}")
    r.record(1, 1.0, "note", "x" * 200_000, {"n": 1}, on_committed=heard.committed)
    r.record(1, 2.0, "note", "", {"n": 2}, on_committed=heard.committed)
    end = time.monotonic() + 60
    while not heard.troubles and time.monotonic() < end:
        time.sleep(0.01)
    assert "full" in heard.troubles[0]
    assert len(heard.events) == 1
    r.store.db.execute("PRAGMA max_page_count = 100000")
    heard.wait(3)
    assert [e.data["n"] for e in heard.events] == [0, 1, 2]
    assert r.close()
