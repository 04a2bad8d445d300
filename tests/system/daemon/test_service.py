"""The daemon as a whole, without a bench: line of runs, disk, clock, store, check before the start."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.support.bench.virtual_bench import BENCH_TEXT
from tests.support.daemon import Served
from weighloop.daemon.clock import StepWatch
from weighloop.daemon.health import DiskGuard
from weighloop.daemon.self_check import check
from weighloop.daemon.server.client import Client, ClientError
from weighloop.daemon.service import Daemon
from weighloop.daemon.store.store import StoreError

START = {"bench_text": BENCH_TEXT.format(ladder="lift"), "points": 2, "target_u_kg": None, "name": None}


def log_has(client: Client, words: str) -> bool:
    end = time.monotonic() + 60
    while time.monotonic() < end:
        if any(words in line["text"] for line in client.call("snapshot")["log"]):
            return True
        time.sleep(0.02)
    return False


def test_loops_planned_for_later_outlive_the_daemon(tmp_path: Path) -> None:
    with Served(tmp_path) as daemon, daemon.client(control=True) as client:
        first = client.call("run.start", **START, loops=3, not_before_utc="2999-01-31T22:00:00+01:00")
        assert client.call("status")["planned"] == [first, first + 1, first + 2]
        assert client.call("runs.together", run=first + 1) == [first, first + 1, first + 2]
        assert client.call("snapshot")["run"] is None
        with pytest.raises(ClientError, match="expected such as"):
            client.call("run.start", **START, not_before_utc="tonight")
        with pytest.raises(ClientError, match="expected 1 to"):
            client.call("run.start", **START, loops=0)
    with Served(tmp_path) as daemon, daemon.client() as client:
        assert client.call("status")["planned"] == [first, first + 1, first + 2]
        assert [line["state"] for line in client.call("runs.list")] == ["planned"] * 3


def test_without_room_on_the_disk_nothing_starts_and_the_status_says_so(tmp_path: Path) -> None:
    free = [0]
    guard = DiskGuard(tmp_path, least=200_000_000, free=lambda path: free[0])
    with Served(tmp_path, disk=guard) as daemon, daemon.client(control=True) as client:
        with pytest.raises(ClientError, match="200 MB are wanted"):
            client.call("run.start", **START)
        daemon.daemon.look()
        status = client.call("status")
        assert not status["well"]
        assert "200 MB" in status["why"]
        free[0] = 10**9
        daemon.daemon.look()
        assert client.call("status")["well"]
        assert log_has(client, "room on the disk again")


@pytest.mark.parametrize("step", [3600.0, -7200.0])
def test_the_wall_clock_set_either_way_is_noted_and_moves_no_reading(tmp_path: Path, step: float) -> None:
    with Served(tmp_path) as daemon, daemon.client() as client:
        before = client.call("snapshot")["clock_s"]
        daemon.daemon._steps = StepWatch(time.time() - step, time.monotonic())  # as it was before the step
        daemon.daemon.look()
        assert log_has(client, f"The wall clock was set by {step:+.0f} s".replace("-", "−"))
        assert 0 <= client.call("snapshot")["clock_s"] - before < 60


def test_a_damaged_store_is_not_opened_and_the_way_out_is_named(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    path.write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 40)
    with pytest.raises(StoreError):
        Daemon(path)
    assert path.stat().st_size == 16 + 256 * 40  # left as it is


def test_the_check_before_the_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(START["bench_text"], encoding="utf-8")
    store, place = tmp_path / "store.sqlite", tmp_path / "d.sock"
    assert check(store, place, None) == 0
    assert "All well" in capsys.readouterr().out
    assert not store.exists()  # it changes nothing
    assert check(store, place, bench) == 1
    assert "there is no port /dev/ttyVirtual0" in capsys.readouterr().err
    with Served(tmp_path):
        assert check(store, place, None) == 1
    said = capsys.readouterr().err
    assert "another daemon owns the store" in said
    assert "a daemon answers" in said
