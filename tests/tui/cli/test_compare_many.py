"""Many notebooks are one table and one page: outliers first, nothing analysed twice, no pairs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from tests.support.many_notebooks import write_notebooks
from weighloop.analysis.comparison import compare
from weighloop.analysis.many_runs import many_runs
from weighloop.analysis.run_summary import RunSummary, summary_of
from weighloop.tui.cli import weighloop
from weighloop.tui.cli.desk import many
from weighloop.tui.cli.inputs import analysed

QUICK = ("--method", "mean", "--trials", "200")
COUNT, STRANGE = 6, 4


@pytest.fixture(scope="module")
def notebooks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("notebooks")
    write_notebooks(folder, COUNT, strange=(STRANGE,))
    return folder


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Many are more than three here, one process does it (new ones are the benchmark's business), and what
    is kept is kept for the test."""
    monkeypatch.setattr(many, "MANY", 3)
    monkeypatch.setattr(many, "kept_in", lambda: tmp_path)
    monkeypatch.setattr(many, "ProcessPoolExecutor", InThisProcess)
    return tmp_path


class InThisProcess:
    def __init__(self, *_: object, **__: object) -> None: ...
    def __enter__(self) -> InThisProcess:
        return self

    def __exit__(self, *_: object) -> None: ...
    def map(self, work, tasks, chunksize: int):
        return map(work, tasks)


def call(*words: str) -> Result:
    return CliRunner().invoke(weighloop, ["compare", *words])


@pytest.mark.costly
def test_the_odd_one_comes_first_and_nothing_is_analysed_twice(
    notebooks: Path, cache: Path, tmp_path: Path
) -> None:
    page = tmp_path / "page.html"
    first = call(str(notebooks), *QUICK, "--json", "-o", str(page))
    assert first.exit_code == 0, first.output
    found = json.loads(first.stdout)
    assert found["order"][0] == f"disc-{STRANGE:04d}"
    assert found["differences"] == []
    assert max(abs(z) for z in found["distance"][found["order"][0]].values()) > 3
    kept = sorted(cache.glob("?" * 64))
    assert len(kept) == COUNT
    before = [path.stat().st_ino for path in kept]
    again = call(str(notebooks), *QUICK, "--json")
    assert json.loads(again.stdout) == found
    assert [path.stat().st_ino for path in sorted(cache.glob("?" * 64))] == before
    text = page.read_text(encoding="utf-8")
    rows = re.findall(r'<tr><th scope="row" class="left">(disc-\d+)</th>', text)
    assert rows == found["order"]
    assert "http" not in re.sub(r'xmlns[^"]*="[^"]*"', "", text.partition("<body>")[2].partition("<svg")[0])


@pytest.mark.costly
def test_a_changed_notebook_is_analysed_again_and_a_faulty_one_left_out(
    notebooks: Path, cache: Path, tmp_path: Path
) -> None:
    work = tmp_path / "work"
    work.mkdir()
    for path in notebooks.iterdir():
        (work / path.name).write_bytes(path.read_bytes())
    call(str(work), *QUICK)
    (work / "disc-0003.csv").write_text("gap_mm,orientation,reading_g\n1.0,up,x\n", encoding="utf-8")
    changed = (work / "disc-0004.csv").read_text(encoding="utf-8")
    (work / "disc-0004.csv").write_text(changed.replace(",0.0018,", ",0.0028,"), encoding="utf-8")
    found = call(str(work), *QUICK)
    assert found.exit_code == 1
    assert "disc-0003.csv: left out" in found.stderr
    assert "disc-0004" in found.stdout
    assert len(list(cache.glob("?" * 64))) == COUNT + 1


def test_pairs_are_there_for_who_asks(notebooks: Path) -> None:
    few = sorted(map(str, notebooks.glob("*.csv")))[:3]
    assert len(json.loads(call(*few, *QUICK, "--json").stdout)["differences"]) > 0


def test_the_batch_is_that_of_the_comparison(notebooks: Path) -> None:
    """The table of many, one pass without keeping trials, against the comparison that keeps them all."""
    few = sorted(map(str, notebooks.glob("*.csv")))[:4]
    results = [analysed(each, None, None, "mean", 200, 1, False) for each in few]
    expected = {b.figure: b for b in compare(results).batch}
    found = {b.figure: b for b in many_runs(map(summary_of, results)).comparison.batch}
    assert found.keys() == expected.keys()
    for key, b in found.items():
        e = expected[key]
        assert (b.runs, b.differ) == (e.runs, e.differ)
        for part in ("mean", "u_mean", "spread", "u_own"):
            assert getattr(b, part) == pytest.approx(getattr(e, part), rel=1e-5, nan_ok=True), (key, part)
    values = np.array([r.figures["remanence_A_per_m"].value for r in results], float)
    assert found["remanence_A_per_m"].spread == pytest.approx(values.std(ddof=1))


def test_what_is_kept_comes_back_as_it_was(notebooks: Path) -> None:
    kept = summary_of(analysed(str(notebooks / "disc-0001.csv"), None, None, "mean", 200, 1, False))
    back = RunSummary.from_bytes(kept.to_bytes())
    assert (back.name, back.figures, back.shared, back.warnings) == (
        kept.name,
        kept.figures,
        kept.shared,
        kept.warnings,
    )
    assert back.samples.keys() == kept.samples.keys()
    assert all(np.array_equal(back.samples[k], kept.samples[k], equal_nan=True) for k in kept.samples)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"x" * 100])
def test_a_damaged_kept_file_is_no_fault(content: bytes, notebooks: Path, cache: Path) -> None:
    source = str(notebooks / "disc-0002.csv")
    settings = {
        "bench_path": None,
        "store_path": None,
        "tolerant": False,
        "method": "mean",
        "trials": 200,
        "seed": 1,
    }
    first = many._summary((source, None, settings, cache))
    (kept,) = cache.glob("?" * 64)
    kept.write_bytes(content)
    again = many._summary((source, None, settings, cache))
    assert isinstance(first, RunSummary)
    assert isinstance(again, RunSummary)
    assert again.figures == first.figures
