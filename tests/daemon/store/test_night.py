"""What became of a list of runs: counted from the log, and on the morning's page. No outside source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER, VirtualBench
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure.plan import make_plan
from weighloop.daemon.procedure.run import Series
from weighloop.daemon.store.night import last_series, night_of, runs_of_series
from weighloop.drivers.device import DeviceState
from weighloop.tui.cli import weighloop


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs alike, the first held once for a pulled plug, and a third that nobody began."""
    path = tmp_path_factory.mktemp("night") / "store.sqlite"
    bench = VirtualBench(path)
    text = BENCH_TEXT.format(ladder="lift") + TURNER
    new = RunRequest(make_plan(text, 3), text, "test", unattended=True, series=Series(1, most_held=2))
    for _ in range(3):
        bench.controller.add_run(new)
    for _ in range(2):
        bench.until(lambda: bench.run is not None and bench.run.state == "running" and bench.run.done > 5)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.advance(40)
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        bench.until(lambda: bench.run is not None and (bench.run.state == "running" or bench.run.id == 2))
        bench.until(lambda: bench.run is not None and bench.run.id == 2)
    bench.advance(30)
    bench.controller.add_run(replace(new, series=None))
    bench.store.close()
    return path


def test_runs_readings_holds_and_their_ends(store: Path) -> None:
    from weighloop.daemon.store.store import Store

    with Store(store, read_only=True) as opened:
        assert last_series(opened) == 1
        night = night_of(opened, 1)
        assert runs_of_series(opened, 2) == [1, 2, 3]
        assert runs_of_series(opened, 4) == [4]
    first, second, third = night["runs"]  # the one alone is no part of it
    assert [run["state"] for run in night["runs"]] == ["finished", "stopped", "stopped"]
    (hold,) = first["holds"]
    assert hold["why"] == "the balance: the port failed"
    assert hold["end"] == "went on by itself"
    assert 20 < hold["seconds"] < 60
    assert second["holds"][0]["end"] in ("went on by itself", "the run was stopped")
    assert third["started_utc"] is None
    assert "held 2 times" in third["why"]
    assert first["in_use"] == 16 + 2  # and a fresh pair for the zero
    assert sum(first["set_aside"].values()) == first["readings"] - first["in_use"]
    assert first["hands"] == 0
    assert first["turns"] >= 5
    assert first["zero_moved_kg"] < 3e-6


def test_the_page_says_it_and_stands_alone(store: Path, tmp_path: Path) -> None:
    page = tmp_path / "night.html"
    words = ["night", "page", "--store", str(store), "--no-figures", "-o", str(page)]
    done = CliRunner().invoke(weighloop, words)
    assert done.exit_code == 0, done.output
    text = page.read_text(encoding="utf-8")
    assert "Of 3 runs: 1 finished, 2 stopped." in text
    assert "a person&#39;s hands were needed never" in text
    assert "held 2 times" in text
    assert text.count("<svg") == 1
    assert "http" not in text.replace("http://www.w3.org", "").replace("https://www.w3.org", "")


def test_what_is_not_there_is_named(store: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(weighloop, ["night", "page", "99", "--store", str(store)])
    assert done.exit_code == 1
    assert "no list of runs began with run 99" in done.output
    for text, what in (("run = 3", "names no runs"), ("[[run", "is no TOML")):
        listed = tmp_path / "list.toml"
        listed.write_text(text, encoding="utf-8")
        done = CliRunner().invoke(weighloop, ["night", "start", str(listed), "--list", str(listed)])
        assert done.exit_code == 1
        assert what in done.output
