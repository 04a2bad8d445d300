"""The package as scripts and notebooks use it."""

from __future__ import annotations

import inspect
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import weighloop as wl
from tests.support.example_run import EXAMPLES
from weighloop.analysis.figures.names import FIGURE_NAMES
from weighloop.analysis.records.readings import RawReadings
from weighloop.analysis.units import Measured

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
            assert run.figure(name.symbol).magnitude.n is not None
            continue
        with pytest.raises(ValueError, match=r"bound|not determined"):
            run.figure(name.symbol)
    with pytest.raises(KeyError, match="did you mean 'HcJ'"):
        run.figure("Hc")
    with pytest.raises(ValueError, match="Ms is bound: "):
        run.figure("Ms")


def test_figures_know_what_they_have_in_common(run: wl.Run) -> None:
    """A ratio of figures has the uncertainty that its own Monte Carlo trials have (JCGM 101:2008, 7.5)."""
    samples, quantities = run.result.samples, run.quantities()
    HcJ, HcB = (samples[f"coercivity_{name}_A_per_m"] for name in ("HcJ", "HcB"))
    ratio = quantities["HcJ"] / quantities["HcB"]
    assert ratio.magnitude.s == pytest.approx(np.nanstd(HcJ / HcB), rel=0.05)
    product = quantities["(BH)max"] / (quantities["Mr"] * quantities["HcB"])
    trials = samples["BHmax_J_per_m3"] / (samples["remanence_A_per_m"] * HcB)
    relative = product.magnitude.s / product.magnitude.n
    assert relative == pytest.approx(np.nanstd(trials) / np.nanmean(trials), rel=0.05)
    assert (quantities["HcJ"] - run.figure("HcJ")).magnitude.s == pytest.approx(0.0, abs=1e-9)


def test_quantities_are_of_the_application_s_registry(run: wl.Run) -> None:
    import pint

    field = pint.get_application_registry().Quantity(1.0, "kA/m")
    assert (run.figure("HcJ") + field).magnitude.n == pytest.approx(run.figure("HcJ").magnitude.n + 1.0)
    own = pint.UnitRegistry()
    assert (run.quantities(own)["HcJ"] + own.Quantity(1.0, "kA/m")).units == own.Unit("kA/m")
    # 1 Oe = 1000/(4 pi) A/m (Goldfarb and Fickett, NBS SP 696).
    oersted = run.quantities(wl.unit_registry())["HcJ"].to("Oe").magnitude.n
    assert oersted == pytest.approx(run.figure("HcJ").magnitude.n * 4 * np.pi)
    assert "Ms" in run.bounds()
    assert not set(run.bounds()) & set(run.quantities())


def test_a_run_is_drawn_on_a_caller_s_axes(run: wl.Run) -> None:
    from matplotlib.figure import Figure

    for what, words in (("M", "magnetisation"), ("B", "induction"), ("pull", "force"), ("budget", "")):
        axes = Figure().subplots()
        assert run.plot(axes, what) is axes
        assert axes.has_data()
        assert words in axes.get_ylabel()
    assert "<svg" in run._repr_html_()
    assert "coercivity of M" in run._repr_html_()


@pytest.mark.costly
@pytest.mark.parametrize("ending", ["h5", "nc"])
def test_hdf5_gives_back_what_was_saved(run: wl.Run, tmp_path: Path, ending: str) -> None:
    import xarray as xr

    with xr.open_dataset(run.save(tmp_path / f"run.{ending}"), engine="h5netcdf") as read:
        np.testing.assert_array_equal(read.M_A_per_m, run.points().M_A_per_m)
        assert read.reading_kg.attrs["units"] == "kg"
        HcJ = read.figure_value.sel(figure="coercivity_HcJ_A_per_m")
        assert float(HcJ) == run.result.figures["coercivity_HcJ_A_per_m"].value
        assert read.attrs["sample"] == "WP-07-1"


def test_parquet_carries_units_and_figures(run: wl.Run, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    read = pq.read_table(run.save(tmp_path / "run.parquet"))
    np.testing.assert_array_equal(read["force_N"], run.points().force_N)
    assert read.schema.field("M_A_per_m").metadata[b"units"] == b"A/m"
    figures = json.loads(read.schema.metadata[b"figures"])
    assert figures == run.result.to_json()["figures"]
    with pytest.raises(ValueError, match=r"saved as \.h5"):
        run.save(tmp_path / "run.xls")


def test_parquet_carries_raw_readings_beside(run: wl.Run, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    raw = RawReadings(np.array([-1.5, 0.1 + 0.2]), np.array([np.nan, 1 / 3]), ("steady", None))
    kept = wl.Run(run.readings, run.bench, method="mean", trials=200, raw=raw)
    kept.save(tmp_path / "run.parquet")
    read = pq.read_table(tmp_path / "run.raw.parquet")
    np.testing.assert_array_equal(read["time_s"], raw.time)
    np.testing.assert_array_equal(read["reading_kg"], raw.value)
    assert read["mark"].to_pylist() == ["steady", None]
    assert read.schema.field("reading_kg").metadata[b"units"] == b"kg"


def test_the_desk_s_questions(run: wl.Run) -> None:
    # Published closed form at 30 digits: cylinder 20 x 10 mm of 1.32 T, on the axis 5 mm above the face.
    bench = wl.read_bench(BENCH)
    magnet = replace(bench.reference_magnet, remanence=Measured(1.32), height=Measured(0.01))
    known = replace(
        bench, reference_magnet=replace(magnet, diameter=Measured(0.02), core_excess=Measured(0.0))
    )
    found = wl.field(known, [5e-3 - bench.sample.height.value / 2])
    assert found.B_axis_T.iloc[0] == pytest.approx(0.253992221233005, rel=1e-9)
    # Joseph, J. Appl. Phys. 37 (1966) 4639: a cylinder half as high as wide.
    assert wl.demag("cylinder", diameter=6e-3, height=3e-3).axial == pytest.approx(0.474489975748, rel=1e-9)
    ladder = wl.plan(bench, points=12)
    assert set(ladder.orientation) == {-1, 1}
    again = wl.read_notebook(EXAMPLES / "wp-07-3.csv").analysed_with(method="mean", trials=200)
    compared = wl.compare([run, again]).to_json()
    assert {d["figure"] for d in compared["differences"]} >= {"coercivity_HcJ_A_per_m"}


def test_points_and_warnings_are_tables(run: wl.Run) -> None:
    import pandas as pd

    points = run.points()
    assert isinstance(points, pd.DataFrame)
    assert len(points) == len(run.readings)
    assert points["M_A_per_m"].abs().max() > 1e5
    assert list(run.warnings().columns) == ["code", "text", "rows"]


@pytest.mark.costly
def test_report_and_package(run: wl.Run, tmp_path: Path) -> None:
    import pandas as pd

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
    with pytest.raises(wl.InputError, match=r"sheet\.toml: file: there is no such file"):
        wl.read_notebook(sheet)


def test_a_run_of_another_programme(tmp_path: Path) -> None:
    """Its figures by their symbols; of a loop it has none."""
    notebook, bench = EXAMPLES / "overnight/wp-11-4-decay.csv", EXAMPLES / "overnight/wp-11-4.toml"
    held = wl.read_notebook(notebook, bench=bench, programme="decay")
    (row,) = held.figures().itertuples()
    assert (row.symbol, row.unit, row.status) == ("S", "A/m", "bound")
    with pytest.raises(ValueError, match="S is bound: No decay"):
        held.figure("S")
    with pytest.raises(ValueError, match="a decay run is no loop"):
        held.points()
    text = held.report(tmp_path / "held.html").read_text(encoding="utf-8")
    assert "Decay of magnetisation of WP-11-4" in text
    assert "viscosity coefficient" in held._repr_html_()
    with pytest.raises(wl.InputError, match="did you mean 'decay'"):
        wl.read_notebook(notebook, bench=bench, programme="deccay")  # pyright: ignore[reportArgumentType]


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


def test_a_calibration_from_a_script(tmp_path: Path) -> None:
    """A magnet of 1.30 T, contact gap 1.0 mm: its field on the axis is the cylinder's closed form (any
    textbook of magnetostatics)."""

    def on_axis(gap: float) -> float:
        return 1.30 / 2 * ((gap + 10) / np.hypot(10, gap + 10) - gap / np.hypot(10, gap))

    lines = [f"{h},{1e3 * on_axis(h + 1.0):.3f}" for h in np.arange(0, 16, 1.5)]
    readings = tmp_path / "probe.csv"
    readings.write_text("height_mm,B_mT\n" + "\n".join(lines))
    found = wl.calibrate(BENCH, {"probe": readings}, probe_depth="0 mm +/- 0.01 mm", probe_gain=0.002)
    # What two zones leave out of a magnet costs the remanence 2 %, and the field it makes far less.
    assert abs(found.remanence.value - 1.30) < found.remanence.u < 0.03
    assert abs(found.contact.value - 1.0e-3) < found.contact.u < 0.1e-3
    bench = found.applied_to(wl.read_bench(BENCH), "2026-11-28", "2027-05-27")
    assert bench.gap.contact.value == pytest.approx(found.contact.value, abs=1e-8)
    assert bench.calibration is not None
    assert bench.sample == wl.read_bench(BENCH).sample
    with pytest.raises(ValueError, match="calibrated with probe, standard, pair, coil, not 'spring'"):
        wl.calibrate(BENCH, {"spring": readings})
    readings.write_text("B_mT\n1\n")
    with pytest.raises(wl.InputError, match="no heights"):
        wl.calibrate(BENCH, {"probe": readings})
