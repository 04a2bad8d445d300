"""A run with a damaged event is shown and analysed without it, and every door says which is left out."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

import weighloop as wl
from tests.support.bench.virtual_bench import VirtualBench
from weighloop.analysis.data_package import read_package, write_package
from weighloop.tui.cli import weighloop


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One finished run; the reading of its seventh step says another pull than was committed."""
    path = tmp_path_factory.mktemp("store") / "store.sqlite"
    bench = VirtualBench(path)
    bench.start("lift", points=6)
    bench.operate()
    bench.store.close()
    db = sqlite3.connect(path)
    db.execute("DROP TRIGGER events_stay")
    number, data = db.execute(
        "SELECT id, data FROM events WHERE kind = 'point' AND json_extract(data, '$.point.step') = 7"
    ).fetchone()
    point = json.loads(data)
    point["point"]["value_kg"] *= 0.8
    db.execute("UPDATE events SET data = ? WHERE id = ?", (json.dumps(point), number))
    db.commit()
    db.close()
    return path


def test_runs_show_names_run_and_step(store: Path) -> None:
    said = CliRunner().invoke(weighloop, ["runs", "show", "1", "--store", str(store)])
    assert said.exit_code == 0
    assert "damaged-event: event" in said.stderr
    assert "of run 1, step 7) is damaged and is left out" in said.stderr
    steps = [line.split()[0] for line in said.stdout.splitlines()[4:]]
    assert "7" not in steps
    assert {"6", "8"} <= set(steps)


def test_figures_warn_by_the_code(store: Path) -> None:
    said = CliRunner().invoke(
        weighloop, ["figures", "1", "--store", str(store), "--method", "mean", "--trials", "100", "--json"]
    )
    assert said.exit_code == 0, said.stderr
    result = json.loads(said.stdout)
    (warning,) = [w for w in result["warnings"] if w["code"] == "damaged-event"]
    assert "step 7" in warning["text"]


def test_a_package_of_the_run_goes_on_saying_so(store: Path, tmp_path: Path) -> None:
    run = wl.read_run(1, store).analysed_with(method="mean", trials=100)
    readings, _ = read_package(write_package(run.result, tmp_path / "package"))
    codes = [remark.code for remark in readings.remarks]
    assert "damaged-event" in codes


def test_an_event_that_names_another_run_is_missed(store: Path, tmp_path: Path) -> None:
    """A flipped run number: the reading is no other run's, and its own says that it is not there."""
    other = tmp_path / "other.sqlite"
    other.write_bytes(store.read_bytes())
    db = sqlite3.connect(other)
    number = db.execute("SELECT id FROM events WHERE kind = 'point' ORDER BY id LIMIT 1").fetchone()[0]
    db.execute("UPDATE events SET run = 5 WHERE id = ?", (number,))
    db.commit()
    db.close()
    said = CliRunner().invoke(weighloop, ["runs", "show", "1", "--store", str(other)])
    assert f"event {number} (point of run 5" in said.stderr
