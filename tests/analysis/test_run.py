"""The package as scripts and notebooks use it."""

from __future__ import annotations

import inspect
from pathlib import Path

import pandas as pd
import pytest

import weighloop as wl
from tests.support.example_run import EXAMPLES
from weighloop.analysis.figures.names import FIGURE_NAMES

NOTEBOOK, BENCH = EXAMPLES / "wp-07-1.csv", EXAMPLES / "wp-07-1.toml"


@pytest.fixture(scope="module")
def run() -> wl.Run:
    return wl.read_notebook(NOTEBOOK, bench=BENCH).analysed_with(method="mean", trials=200)


def test_figures_are_a_table(run: wl.Run) -> None:
    found, data = run.figures(), run.result.to_json()["figures"]
    assert list(found.columns) == ["symbol", "unit", "value", "u", "low95", "high95", "status", "why"]
    row = found.loc["coercivity of M"]
    assert row["value"] == pytest.approx(data["coercivity_HcJ_A_per_m"]["value"] / 1e3)
    assert row["unit"] == "kA/m"
    # 1 Oe = 1000/(4 pi) A/m (Goldfarb and Fickett, NBS SP 696).
    assert run.figures("cgs").loc["coercivity of M", "value"] == pytest.approx(row["value"] * 4 * 3.14159265)


def test_a_figure_is_a_quantity(run: wl.Run) -> None:
    HcJ, data = run.figure("HcJ"), run.result.to_json()["figures"]["coercivity_HcJ_A_per_m"]
    assert HcJ.to("A/m").value.magnitude == pytest.approx(data["value"])
    assert HcJ.to("A/m").error.magnitude == pytest.approx(data["u"])
    for key, name in FIGURE_NAMES.items():
        if run.result.figures[key].status == "measured":
            assert run.figure(name.symbol).value.magnitude is not None
            continue
        with pytest.raises(ValueError, match=r"bound|not determined"):
            run.figure(name.symbol)
    with pytest.raises(KeyError, match="there are"):
        run.figure("Hc")
    with pytest.raises(ValueError, match="Ms is bound: "):
        run.figure("Ms")


def test_points_and_warnings_are_tables(run: wl.Run) -> None:
    points = run.points()
    assert isinstance(points, pd.DataFrame)
    assert len(points) == len(run.readings)
    assert points["M_A_per_m"].abs().max() > 1e5
    assert list(run.warnings().columns) == ["code", "text", "rows"]


def test_report_and_package(run: wl.Run, tmp_path: Path) -> None:
    from weighloop.analysis.data_package import write_package

    assert run.report(tmp_path / "r.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    write_package(run.result, tmp_path / "package")
    again = wl.read_package(tmp_path / "package").analysed_with(method="mean", trials=200)
    pd.testing.assert_frame_equal(again.figures(), run.figures())


def test_the_bench_file_beside_and_the_tolerant_reader(run: wl.Run, tmp_path: Path) -> None:
    assert wl.read_notebook(NOTEBOOK).bench == wl.read_bench(BENCH)
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(NOTEBOOK.read_text().replace(",", ";").replace(".", ","))
    with pytest.raises(wl.InputError, match="not separated by commas"):
        wl.read_notebook(sheet, BENCH)
    read = wl.read_notebook(sheet, BENCH, tolerant=True)
    assert "the decimal mark is the comma" in read.guesses
    assert read.readings.reading.tolist() == pytest.approx(run.readings.reading.tolist(), abs=1e-12)
    with pytest.raises(wl.InputError, match=r"sheet\.toml: file: No such file"):
        wl.read_notebook(sheet)


def test_small_typed_and_documented() -> None:
    assert set(dir(wl)) == {*wl.__all__, "__version__"}
    assert (Path(wl.__file__).parent / "py.typed").exists()
    for name in wl.__all__:
        found = getattr(wl, name)
        assert inspect.getdoc(found), name
        for method in [found] if inspect.isfunction(found) else []:
            assert "return" in method.__annotations__, name
    for name, method in inspect.getmembers(wl.Run, inspect.isfunction):
        assert "return" in method.__annotations__, name
        assert name.startswith("_") or inspect.getdoc(method), name
    with pytest.raises(AttributeError, match="it has"):
        _ = wl.read_notebooks  # type: ignore[attr-defined]
