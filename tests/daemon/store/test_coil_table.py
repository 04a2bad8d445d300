"""A run that weighed a coil, from the daemon's store to a calibration: the bench is the tests' own."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.bench.coil_bench import COIL, TRUE, bench_text, bench_with_coil
from tests.support.bench.virtual_bench import VirtualBench
from tests.tui.cli.test_verbs import call, good
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.files.bench_file import parse_bench, read_bench
from weighloop.daemon.store.coil_table import coil_readings_of


@pytest.fixture(scope="module")
def weighed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a calibration (run 1), a check at one gap (2) and one broken off (3)."""
    path = tmp_path_factory.mktemp("coil") / "store.sqlite"
    bench = bench_with_coil(path)
    _weigh(bench, 6, 2)
    _weigh(bench, 1, 1)
    bench.start_coil(bench_text("lift"), 2, ends=1)
    bench.operate(stop=lambda: bench.run is not None and bench.run.id == 3 and len(bench.run.points) == 5)
    bench.say("stop", "enough")
    bench.store.close()
    return path


def _weigh(bench: VirtualBench, heights: int, ends: int) -> None:
    number = bench.start_coil(bench_text("lift"), heights, ends)
    bench.operate(stop=lambda: bench.run is not None and bench.run.id == number and bench.run.done > 0)
    bench.operate()


@pytest.mark.costly
def test_a_run_is_calibrated_from_like_a_notebook(weighed: Path, tmp_path: Path) -> None:
    new, page = tmp_path / "calibrated.toml", tmp_path / "page.html"
    words = ("--store", str(weighed))
    found = json.loads(good("calibrate", "1", *words, "--json", "-o", str(new), "--report", str(page)).stdout)
    assert abs(found["remanence_T"] - TRUE.remanence) < 3 * found["u_remanence_T"]
    assert abs(found["contact_m"] - TRUE.contact) < 3 * found["u_contact_m"]
    assert found["u_remanence_T"] < 0.015  # stated: 0.02
    assert found["chi_square"]["coil of known current"] < 2
    calibrated = read_bench(new)
    assert calibrated.calibration is not None
    assert "<svg" in page.read_text()
    said = good("calibrate", "2", *words, "--bench", str(new), "--check").stdout
    assert "The calibration holds" in said


def test_what_is_no_calibration_says_so(weighed: Path) -> None:
    words = ("--store", str(weighed))
    assert "weighloop calibrate 1" in call("figures", "1", *words).output
    assert (
        "--from coil, not pair"
        in call("calibrate", "1", *words, "--from", "pair", "--moment", "1 A*m^2").output
    )
    assert call("calibrate", "readings.csv").exit_code == 2
    assert "+48.00 mA" in good("runs", "show", "1", *words).stdout


def test_of_a_broken_run_whole_stops_are_used_and_the_rest_is_named(weighed: Path) -> None:
    from weighloop.daemon.store.store import Store

    with Store(weighed, read_only=True) as store:
        run = store.run(3)
        bench = parse_bench(bench_text("lift"))
        table = coil_readings_of(run, bench)
        assert len(table.reading) == 4
        assert "the current was not reversed: left out" in table.remarks[0]
        with pytest.raises(NotPossible, match="weighed a sample"):
            coil_readings_of({**run, "coil": False}, bench)
    assert COIL in run["bench_text"]
