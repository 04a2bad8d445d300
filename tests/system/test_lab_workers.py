"""Figures of archived runs on a scheduler's workers, one of them killed: each run once, and all of them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from tests.support.store.lab_store import weigh
from weighloop.daemon.lab.archive import Archive
from weighloop.daemon.lab.engines import Engines, free_port, missing
from weighloop.daemon.lab.source import StoreSource

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(missing()), reason="needs the packages mosquitto and postgresql"),
]
RUNS = 6


@contextmanager
def dask(program: str, folder: Path, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    """One of dask's own programs while the context lasts, with all that it starts."""
    command = [sys.executable, "-m", f"distributed.cli.dask_{program}", *words, "--no-dashboard"]
    quiet = subprocess.DEVNULL
    started = subprocess.Popen(command, stdout=quiet, stderr=quiet, cwd=folder, start_new_session=True)
    try:
        yield started
    finally:
        if started.poll() is None:
            os.killpg(started.pid, signal.SIGKILL)
            started.wait()


@pytest.mark.timeout(180)
def test_a_worker_that_is_killed_costs_no_run_and_doubles_none(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    weigh(store, runs=RUNS)
    look = StoreSource(store, "bench-1").look({"events": (0, 100_000)})
    address = f"tcp://127.0.0.1:{(port := free_port())}"
    with ExitStack() as stack:
        engines = stack.enter_context(Engines())
        archive = stack.enter_context(Archive(engines.dsn))
        archive.migrate()
        archive.take([(look.course, look.batches[0])])
        stack.enter_context(dask("scheduler", tmp_path, "--host", "127.0.0.1", "--port", str(port)))
        worker = (address, "--nthreads", "1", "--local-directory", str(tmp_path))
        first, _ = (stack.enter_context(dask("worker", tmp_path, *worker)) for _ in range(2))
        command = [
            sys.executable,
            "-m",
            "weighloop.tui.cli",
            "lab",
            "reanalyse",
            "--json",
            "--trials",
            "2000",
        ]
        words = ["--database", engines.dsn, "--scheduler", address]
        verb = subprocess.Popen([*command, *words], stdout=subprocess.PIPE)
        stack.callback(verb.kill)
        deadline = time.monotonic() + 60
        while (archive.db.execute("SELECT count(*) FROM run_figures").fetchone() or (0,))[0] == 0:
            assert time.monotonic() < deadline, "no figures came"
            time.sleep(0.02)
        os.killpg(first.pid, signal.SIGKILL)
        out, _ = verb.communicate(timeout=90)
        assert verb.returncode == 0
        assert sorted(one["run"] for one in json.loads(out)) == list(range(1, RUNS + 1))
        found = archive.db.execute(
            "SELECT run, count(*), count(DISTINCT figure) FROM run_figures GROUP BY run ORDER BY run"
        ).fetchall()
        assert [row[0] for row in found] == list(range(1, RUNS + 1))
        assert len({row[1:] for row in found}) == 1
        assert found[0][1] == found[0][2] > 5
