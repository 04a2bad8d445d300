"""`weighloop export --raw`: what the balance sent goes into the package, with units, and on to the next."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

import weighloop as wl
from tests.support import EXAMPLES
from tests.support.store.lab_store import weigh
from tests.tui.cli.test_verbs import QUICK, call, good


@pytest.mark.costly
def test_raw_readings_of_a_run_are_in_the_package(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    weigh(store)
    kept = wl.read_run(1, store)
    assert kept.raw is not None
    good("export", "1", str(tmp_path / "run"), "--store", str(store), "--raw", *QUICK)
    with (tmp_path / "run" / "raw.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [float(row["time_s"]) for row in rows] == kept.raw.time.tolist()
    shown = [float(row["reading_kg"] or "nan") for row in rows]
    np.testing.assert_array_equal(shown, kept.raw.value)
    good("export", str(tmp_path / "run"), str(tmp_path / "again"), "--raw", *QUICK)
    first, again = ((tmp_path / name / "raw.csv").read_bytes() for name in ("run", "again"))
    assert first == again
    good("export", "1", str(tmp_path / "plain"), "--store", str(store), *QUICK)
    assert not (tmp_path / "plain" / "raw.csv").exists()


def test_a_notebook_has_no_raw_readings(tmp_path: Path) -> None:
    result = call("export", str(EXAMPLES / "wp-07-1.csv"), str(tmp_path / "run"), "--raw", *QUICK)
    assert result.exit_code == 1
    assert "raw readings: none are kept with it; expected the number of a run" in result.output
    assert not (tmp_path / "run").exists()
