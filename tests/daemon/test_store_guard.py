"""What is not written is told: a store taken away, a writer that stands still, a disk that takes nothing."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.bench.virtual_bench import BENCH_TEXT
from tests.support.daemon import Served
from weighloop.daemon import health
from weighloop.daemon.server.client import ClientError
from weighloop.daemon.service import Daemon
from weighloop.daemon.store.store import Store, StoreError

START = {"bench_text": BENCH_TEXT.format(ladder="lift"), "points": 2, "target_u_kg": None, "name": None}
LATER = {**START, "not_before_utc": "2999-01-31T22:00:00Z"}


def soon(what: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_a_text_with_half_a_character_is_refused_and_stops_nobody(tmp_path: Path) -> None:
    with Served(tmp_path) as daemon, daemon.client(control=True) as client:
        for method, params in (
            ("run.note", {"text": "\ud800"}),
            ("run.start", {**START, "name": "a\udfff"}),
            ("run.hold", {"why": "\udce9"}),
        ):
            with pytest.raises(ClientError, match="no character of a text"):
                client.call(method, **params)
        client.call("run.start", **LATER)
        assert client.call("status")["well"]


def test_words_of_our_own_that_cannot_be_written_are_shown_by_their_codes(tmp_path: Path) -> None:
    bench = tmp_path / b"caf\xe9.toml".decode("utf-8", "surrogateescape")
    with Served(tmp_path, bench=bench) as daemon, daemon.client() as client:
        soon(lambda: any("caf\\udce9" in line["text"] for line in client.call("snapshot")["log"]))
        assert client.call("status")["well"]


def test_an_entry_the_store_never_takes_is_put_aside_and_those_behind_it_are_written(tmp_path: Path) -> None:
    with Served(tmp_path) as daemon, daemon.client(control=True) as client:
        client.call("run.start", **LATER)
        alarms: list[dict] = []
        daemon.daemon.guard._alarm = alarms.append
        writer, told, why = daemon.daemon.log_writer, [], []
        writer.record(2**70, 0.0, "note", "no such run", on_committed=told.append, on_refused=why.append)
        writer.record(1, 0.0, "note", "the one behind it", on_committed=told.append)
        soon(lambda: len(told) == 1)
        assert told[0].text == "the one behind it"
        assert "cannot be written" in why[0]
        assert [a["kind"] for a in alarms] == ["store"]
        with Store(daemon.store, read_only=True) as store:
            (aside,) = [e for e in store.last_events(9) if e.kind == "put-aside"]
            assert "no such run" in aside.data["entry"]
        assert client.call("status")["well"]


def test_what_acts_is_answered_once_it_is_committed(tmp_path: Path) -> None:
    with Served(tmp_path) as daemon, daemon.client(control=True) as client:
        for n in range(30):
            client.call("run.start", **{**LATER, "name": f"WP-{n}"})
            with Store(daemon.store, read_only=True) as store:
                assert store.runs()[-1]["sample"] == f"WP-{n}"


def test_a_store_taken_away_goes_on_in_a_rescue_file(tmp_path: Path) -> None:
    served = Served(tmp_path)
    with served as daemon, daemon.client(control=True) as client:
        client.call("run.start", **{**LATER, "name": "WP-1"})
        daemon.store.rename(tmp_path / "gone")
        daemon.daemon.look()
        status = client.call("status")
        assert not status["well"]
        assert "deleted or renamed" in status["why"]
        with pytest.raises(ClientError, match="rescue"):
            client.call("run.start", **LATER)
        soon(lambda: bool(list(tmp_path.glob("store.rescue-*.sqlite"))))
        daemon.daemon.log_writer.record(1, 0.0, "note", "written after it was gone")
    (rescue,) = tmp_path.glob("store.rescue-*.sqlite")
    assert "deleted or renamed" in served.failed
    with Store(rescue, read_only=True) as store:
        assert store.verify() == []
        assert [line["sample"] for line in store.runs()] == ["WP-1"]
        assert "written after it was gone" in [e.text for e in store.events(1)]


def test_a_writer_that_stands_still_is_not_well(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(health, "WRITER_PATIENCE", 0.2)
    served = Served(tmp_path)
    with served as daemon, daemon.client(control=True) as client:

        def stumble(*_: object) -> None:
            raise RuntimeError("a fault of the program")

        daemon.daemon.store.append = stumble  # pyright: ignore[reportAttributeAccessIssue]
        daemon.daemon.log_writer.record(None, 0.0, "note", "")
        time.sleep(0.4)
        daemon.daemon.look()
        status = client.call("status")
        assert not status["well"]
        assert not health.may_feed({**status, "store_trouble": None})
    assert "not everything could be written" in served.failed


def test_a_store_that_takes_nothing_is_told_in_words_at_the_start(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = tmp_path / "store.sqlite"
    Store(path).close()

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(Store, "begin_session", full)
    with pytest.raises(StoreError, match="make room on the disk"):
        Daemon(path)
    monkeypatch.undo()
    Daemon(path).lock.release()  # the lock was released
