"""Each verb that needs no bench: a good call, its JSON, and every kind of bad input told in words."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from tests.support import EXAMPLES
from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER
from weighloop.daemon.store.store import Store
from weighloop.tui.cli import weighloop

NOTEBOOK, BENCH = str(EXAMPLES / "wp-07-1.csv"), str(EXAMPLES / "wp-07-1.toml")
QUICK = ("--method", "mean", "--trials", "100")


def call(*words: str) -> Result:
    return CliRunner().invoke(weighloop, words)


def good(*words: str) -> Result:
    result = call(*words)
    assert result.exit_code == 0, result.output
    return result


def on_axis(gap: float, remanence: float, radius: float = 10e-3, length: float = 10e-3) -> float:
    """Field of a uniformly magnetised cylinder on its axis: closed form, any textbook of magnetostatics."""
    far = gap + length
    return remanence / 2 * (far / math.hypot(radius, far) - gap / math.hypot(radius, gap))


def gradient(gap: float, remanence: float, radius: float = 10e-3, length: float = 10e-3) -> float:
    """Its derivative along the axis."""
    far = gap + length
    return remanence / 2 * radius**2 * (math.hypot(radius, far) ** -3 - math.hypot(radius, gap) ** -3)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A bench to be calibrated: a magnet ball of 3 mm over a cylinder 20 x 10 mm, both values guessed."""
    path = tmp_path / "bench.toml"
    path.write_text(
        """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.25 T +/- 0.05 T"
[sample]
name = "standard ball"
shape = "sphere"
diameter = "3 mm"
[gap]
contact = "1.5 mm +/- 0.5 mm"
[balance]
resolution = "0.1 mg"
capacity = "220 g"
[site]
latitude = "45 deg"
altitude = "0 m"
temperature = "20 degC"
"""
    )
    return path


def test_calibrate_from_a_probe(bench: Path, tmp_path: Path) -> None:
    readings = tmp_path / "probe.csv"
    heights = np.arange(0, 16, 1.5)
    lines = [f"{h},{1e3 * on_axis((h + 1.0) * 1e-3, 1.30):.4f}" for h in heights]
    readings.write_text("height_mm,B_mT\n" + "\n".join(lines) + "\n")
    words = ("calibrate", str(readings), "--bench", str(bench), "--from", "probe")
    words += ("--probe-depth", "0 mm +/- 0.01 mm", "--probe-gain", "0.002")
    found = json.loads(good(*words, "--json").stdout)
    assert found["remanence_T"] == pytest.approx(1.30, rel=1e-3)
    assert found["contact_m"] == pytest.approx(1.0e-3, abs=1e-5)
    assert len(found["residuals"]) == len(heights)
    said = good(*words, "--plot", str(tmp_path / "residuals.png")).stdout
    assert f'remanence = "{found["remanence_T"]:.5f} T' in said
    assert (tmp_path / "residuals.png").read_bytes().startswith(b"\x89PNG")


def test_calibrate_from_a_standard(bench: Path, tmp_path: Path) -> None:
    """The field is harmonic, so its mean over a ball is the value at the centre (mean value theorem)."""
    moment, g = 6.9e-3, 9.806199  # normal gravity at 45 degrees, WGS 84
    rows = []
    for h in np.arange(0, 7, 0.5):
        F = moment * -gradient((h + 1.0 + 1.5) * 1e-3, 1.30)
        rows.append(f"{h},{-F / (g * (1 - 1.2 / 8000)) * 1e3:.5f}")
    readings = tmp_path / "standard.csv"
    readings.write_text("height_mm,reading_g\n" + "\n".join(rows) + "\n")
    words = ("calibrate", str(readings), "--bench", str(bench), "--from", "standard", "--hard")
    found = json.loads(good(*words, "--moment", "6.9e-3 A*m^2 +/- 1e-6 A*m^2", "--json").stdout)
    assert found["remanence_T"] == pytest.approx(1.30, rel=2e-3)
    assert found["contact_m"] == pytest.approx(1.0e-3, abs=2e-5)


def test_a_calibration_beyond_the_balance_is_refused(bench: Path, tmp_path: Path) -> None:
    readings = tmp_path / "pair.csv"
    readings.write_text("height_mm,reading_g\n1,-1840\n2,-210\n4,-90\n8,-20\n16,-3\n")
    result = call("calibrate", str(readings), "--bench", str(bench), "--from", "pair")
    assert result.exit_code == 1
    assert "reading 1: -1840 g; expected within the balance's capacity, 220 g" in result.output


@pytest.mark.costly
def test_figures_report_and_package(tmp_path: Path) -> None:
    found = json.loads(good("figures", NOTEBOOK, *QUICK, "--json").stdout)
    assert found["schema"] == 1
    assert "kA/m" in good("figures", NOTEBOOK, *QUICK).stdout
    cgs = good("figures", NOTEBOOK, *QUICK, "--units", "cgs").stdout
    assert all(unit in cgs for unit in ("Oe", "emu/cm³", "MGOe", "emu/g"))
    package = tmp_path / "package"
    said = json.loads(good("export", NOTEBOOK, str(package), *QUICK, "--json").stdout)
    assert Path(said["package"]) == package / "datapackage.json"
    again = json.loads(good("figures", str(package), *QUICK, "--json").stdout)
    assert again["figures"] == found["figures"]
    page, drawn = tmp_path / "report.html", tmp_path / "drawn"
    words = ("report", NOTEBOOK, *QUICK, "-o", str(page), "--drawings", str(drawn), "--json")
    said = json.loads(good(*words).stdout)
    assert said["report"] == str(page)
    assert all(Path(path).exists() for path in said["drawings"])
    assert f"figures {NOTEBOOK}" in page.read_text()


@pytest.mark.costly
def test_compare_a_folder_and_by_one_bench(tmp_path: Path) -> None:
    page = tmp_path / "compared.html"
    found = json.loads(good("compare", str(EXAMPLES), *QUICK, "-o", str(page), "--json").stdout)
    assert found["runs"] == ["WP-07-1", "WP-07-2", "WP-07-3"]
    assert len(found["trend"]) > 5
    assert page.exists()
    # One bench file for all: the notebooks are called after their files.
    others = [str(EXAMPLES / f"wp-07-{i}.csv") for i in (1, 2)]
    said = good("compare", *others, *QUICK, "--bench", BENCH).stdout
    assert "wp-07-1 - wp-07-2" in said
    assert "joint u" in said


def test_import_of_a_folder_tells_its_guesses(tmp_path: Path) -> None:
    """Spreadsheets' notebooks: semicolons and decimal commas, told file by file; the figures are the same."""
    for i in (1, 2):
        text = (EXAMPLES / f"wp-07-{i}.csv").read_text().replace(",", ";").replace(".", ",")
        (tmp_path / f"wp-07-{i}.csv").write_text(text, encoding="utf-8-sig")
        (tmp_path / f"wp-07-{i}.toml").write_text((EXAMPLES / f"wp-07-{i}.toml").read_text())
    refused = call("compare", str(tmp_path), *QUICK)
    assert refused.exit_code == 1
    assert "not separated by commas" in refused.stderr
    result = good("compare", str(tmp_path), *QUICK, "--tolerant", "--json")
    for i in (1, 2):
        for guess in ("columns are separated by semicolons", "the decimal mark is the comma"):
            assert f"{tmp_path / f'wp-07-{i}.csv'}: {guess}" in result.stderr
    strict = good("compare", *(str(EXAMPLES / f"wp-07-{i}.csv") for i in (1, 2)), *QUICK, "--json")
    assert json.loads(result.stdout)["figures"] == json.loads(strict.stdout)["figures"]


def test_settle(tmp_path: Path) -> None:
    path = tmp_path / "stream.csv"
    rng = np.random.default_rng(5)
    level = 12.345
    rows = [f"{0.1 * k:.1f},{level + rng.normal(0, 4e-4):.3f}" for k in range(200)]
    path.write_text("time_s,reading_g\n" + "\n".join(rows) + "\n")
    words = ("settle", str(path), "--resolution", "1mg", "--target", "2mg")
    found = json.loads(good(*words, "--json").stdout)
    assert set(found) == {"accepted", "value_g", "u_g", "at_s", "drift_g_per_s", "reason"}
    assert found["accepted"] is True
    assert abs(found["value_g"] - level) < 5 * found["u_g"]
    assert "Accepted at" in good(*words).stdout
    path.write_text("time_s,reading_g\n0,1\n0.1,2\n")
    found = json.loads(good(*words, "--json").stdout)
    assert found["accepted"] is False
    assert found["reason"]


def test_plan_after_an_earlier_run() -> None:
    steps = json.loads(good("plan", "--bench", BENCH, "--points", "12", "--after", NOTEBOOK, "--json").stdout)
    assert {step["spacers"] for step in steps} <= set(range(31))
    assert "Largest pull" in good("plan", "--bench", BENCH, "--points", "8").stdout


@pytest.mark.costly
def test_plan_says_how_well_the_figures_will_be_known() -> None:
    words = ("plan", "--bench", BENCH, "--points", "12", "--after", NOTEBOOK, "--expect")
    told = json.loads(good(*words, "--json").stdout)
    HcJ = told["expected"]["coercivity_HcJ_A_per_m"]
    assert HcJ["status"] == "measured"
    assert 0 < HcJ["u"] < 0.05 * HcJ["value"]
    assert len(told["steps"]) == 58
    assert "coercivity of M" in good(*words).stdout


def test_runs_of_a_store(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    with Store(path) as store:
        store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
    assert json.loads(good("runs", "--store", str(path), "--json").stdout) == []
    assert "No runs yet" in good("runs", "--store", str(path)).stdout
    planned = {"sample": "WP-07-1", "ladder": "spacers", "bench_text": Path(BENCH).read_text()}
    planned |= {"steps": [], "target_u_kg": 2e-6, "seconds": 60.0}
    with Store(path) as store:
        store.begin_session("boot", "test", "2026-01-01T00:01:00Z", 60.0)
        store.append([(1, 0.0, "2026-01-01T00:00:00Z", "planned", "planned", planned, None)])
    (line,) = json.loads(good("runs", "--store", str(path), "--json").stdout)
    assert (line["id"], line["sample"]) == (1, "WP-07-1")
    assert "WP-07-1" in good("runs", "show", "1", "--store", str(path)).stdout
    assert json.loads(good("runs", "verify", "--store", str(path), "--json").stdout)["sound"]
    assert "WP-07-1b" in good("runs", "rename", "1", "WP-07-1b", "--store", str(path)).stdout
    good("runs", "note", "1", "corner chipped", "--store", str(path))
    assert "corner chipped" in good("runs", "--store", str(path), "--find", "07-1b chipped").stdout
    assert "No run with 'sound'" in good("runs", "--store", str(path), "--find", "sound").stdout
    good("runs", "hide", "1", "--store", str(path))
    assert json.loads(good("runs", "--store", str(path), "--json").stdout) == []
    assert len(json.loads(good("runs", "--store", str(path), "--hidden", "--json").stdout)) == 1
    told(call("runs", "rename", "1", " ", "--store", str(path)), 2, "the new name is empty")
    told(call("figures", "1", "--store", str(path)), 1, "run 1 has no reading yet")
    told(call("figures", "2", "--store", str(path)), 1, "there is no run 2")
    told(call("figures", "9" * 30, "--store", str(path)), 1, "there is no run 999")
    told(call("runs", "show", "one", "--store", str(path)), 2, "one")


def told(result: Result, status: int, *words: str) -> None:
    """One reason in words on standard error, nothing on standard output, no traceback."""
    assert result.exit_code == status, result.output
    assert not result.stdout
    assert "Traceback" not in result.stderr
    assert "unforeseen" not in result.stderr
    assert "\n\n" not in result.stderr.strip() or status == 2  # a wrong call shows the usage too
    for word in words:
        assert word in result.stderr, (word, result.stderr)


#: What a file holds, and what is said of it: place, fault, what would be right.
NOTEBOOKS = [
    (b"", "header: the file is empty", "a header row"),
    (b"gap_mm,orientation\n1,1\n", "no column 'reading_g'", "the balance's reading in g"),
    (b"gap_mm,orientation,reading_g\n", "rows: none below the header", "at least one row"),
    (b"gap_mm,orientation,reading_g\n5,1,heavy\n", "row 1 (line 2), column reading_g: 'heavy'", "a number"),
    (b"gap_mm,orientation,reading_g\n5,2,1\n", "row 1 (line 2), column orientation: '2'", "+1 or -1"),
    (b"gap_mm,orientation,reading_g\n-5,1,1\n", "column gap_mm: '-5'", "the gap in mm"),
    (b"gap_mm,orientation,reading_g,time\n5,1,1,noon\n", "column time: 'noon'", "ISO 8601"),
    (b"gap_mm,orientation,reading_g,u_g\n5,1,1,0\n", "column u_g: '0'", "above 0"),
    (b'gap_mm,orientation,reading_g\n5,1,"1\n', "not CSV", "comma-separated values"),
    (b"gap_mm;orientation;reading_g\n5;1;1\n", "not separated by commas", "the tolerant import"),
    (b"gap_mm,orientation,reading_g\n\xff\xfe\n", "byte 30: not UTF-8 text", "saved as UTF-8"),
]
BENCHES = [
    (b"", "reference_magnet: missing", "a table [reference_magnet]"),
    (b"= gap\n", "not TOML", "TOML, see the README"),
    (b"a = " + b"[" * 3000, "not TOML", "TOML, see the README"),
    (b"[gap]\ncontact = 1\n", "gap.contact: 1 has no unit", 'write "1 mm", if millimetres are meant'),
    (b'[gap]\ncontact = "1 kg"\n', "gap.contact: '1 kg' is not given in mm", "1.00 mm +/- 0.05 mm"),
    (b'[gap]\ncontakt = "1 mm"\n', "gap.contakt: a key that is not known", "did you mean 'contact'?"),
    (b'[sample]\nshape = "pear"\n', "sample.shape: 'pear'", "one of cylinder, block, sphere, spheroid"),
    (b"\xff", "byte 1: not UTF-8 text", "a bench file saved as UTF-8"),
]
TABLES = [
    (b"", "column 'B_mT' is missing", "a header with B_mT"),
    (b"B_mT\n100\n", "header: no heights", "a column height_mm"),
    (b"height_mm,B_mT\n1,x\n", "line 2, column B_mT: 'x'", "a number"),
    (b"height_mm,B_mT\n", "rows: none below the header", "at least one row"),
    (b"height_mm,B_mT\n0,400\n5,200\n", "2 different heights are left", "needs at least 3"),
    (
        b"height_mm,B_mT,u\n0,400,0\n5,200,1\n6,180,1\n7,150,1\n",
        "readings: every reading needs",
        "greater than 0",
    ),
]
STREAMS = [
    (b"", "file: empty", "a header line time_s,reading_g"),
    (b"time_s\n1\n", "line 1, column reading_g: missing", "a header time_s,reading_g"),
    (b"time_s,reading_g\n0,x\n", "line 2, column reading_g: 'x'", "a plain number such as 12.345"),
    (b"time_s,reading_g,stable\n0,1,maybe\n", "column stable: 'maybe'", "steady or unsteady"),
    (b"\xff", "byte 1: not UTF-8 text", "a recorded stream saved as UTF-8"),
]


@pytest.mark.parametrize(("content", "fault", "right"), NOTEBOOKS)
@pytest.mark.parametrize("verb", ["figures", "report", "export", "compare"])
def test_a_wrong_notebook_is_told(tmp_path: Path, verb: str, content: bytes, fault: str, right: str) -> None:
    path = tmp_path / "n.csv"
    path.write_bytes(content)
    more = {"export": [str(tmp_path / "out")], "compare": [NOTEBOOK]}.get(verb, [])
    told(call(verb, str(path), *more, "--bench", BENCH), 1, str(path), fault, right)


@pytest.mark.parametrize(("content", "fault", "right"), BENCHES)
@pytest.mark.parametrize("verb", ["figures", "plan", "field", "calibrate"])
def test_a_wrong_bench_file_is_told(
    tmp_path: Path, verb: str, content: bytes, fault: str, right: str
) -> None:
    path = tmp_path / "b.toml"
    path.write_bytes(content)
    more = {"figures": [NOTEBOOK], "field": ["--gap", "5mm"], "calibrate": [NOTEBOOK, "--from", "probe"]}
    told(call(verb, *more.get(verb, []), "--bench", str(path)), 1, str(path), fault, right)


@pytest.mark.parametrize(("content", "fault", "right"), TABLES)
def test_a_wrong_calibration_table_is_told(tmp_path: Path, content: bytes, fault: str, right: str) -> None:
    path = tmp_path / "c.csv"
    path.write_bytes(content)
    told(call("calibrate", str(path), "--bench", BENCH, "--from", "probe"), 1, fault, right)


@pytest.mark.parametrize(("content", "fault", "right"), STREAMS)
def test_a_wrong_stream_is_told(tmp_path: Path, content: bytes, fault: str, right: str) -> None:
    path = tmp_path / "s.csv"
    path.write_bytes(content)
    told(call("settle", str(path), "--resolution", "1mg"), 1, str(path), fault, right)


def test_what_cannot_be_read_or_written_is_told(tmp_path: Path) -> None:
    file, none = tmp_path / "file", tmp_path / "none"
    file.write_text("not a database, but longer than the head of one, which is a hundred bytes long" * 3)
    told(call("figures", str(none), "--bench", BENCH), 1, "no such file", "a readable notebook CSV")
    told(call("figures", str(none)), 1, "no such file", "a readable notebook CSV")
    told(call("figures", str(tmp_path), "--bench", BENCH), 1, "without datapackage.json", "a notebook CSV")
    told(call("compare", str(tmp_path), "--bench", BENCH), 1, "no notebook in it", "named *.csv")
    told(call("field", "--bench", str(none), "--gap", "1mm"), 1, "no such file", "a readable bench file")
    told(call("settle", str(tmp_path), "--resolution", "1mg"), 1, "Is a directory", "recorded stream")
    told(call("runs", "--store", str(none)), 1, "no store at", "a daemon makes one")
    told(call("runs", "--store", str(file)), 1, "cannot be opened", "backup")
    told(call("report", NOTEBOOK, *QUICK, "-o", str(none / "r.html")), 1, "there is no folder", str(none))
    told(call("export", NOTEBOOK, str(file / "package"), *QUICK), 1, "Not a directory")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["figures"], "Missing argument"),
        (["figures", NOTEBOOK, "--trials", "1"], "100<=x<="),
        (["figures", NOTEBOOK, "--method", "centre"], "'finite', 'mean'"),
        (["figures", NOTEBOOK, "--units", "imperial"], "'si', 'cgs'"),
        (["compare", NOTEBOOK], "two inputs or more"),
        (["export", NOTEBOOK], "Missing argument 'FOLDER'"),
        (["report", NOTEBOOK, "--kind", "gif"], "'svg', 'png', 'pdf'"),
        (["plan", "--bench", BENCH, "--points", "1"], "2<=x<=500"),
        (["field", "--bench", BENCH, "--gap=-1mm"], "not negative"),
        (["field", "--bench", BENCH, "--gap", "5"], "no unit"),
        (["field", "--bench", BENCH, "--gap", "1e999mm"], "too large a number"),
        (["demag", "--shape", "pear"], "'cylinder', 'block'"),
        (["demag", "--shape", "sphere", "--diameter", "0mm"], "greater than 0"),
        (["calibrate", NOTEBOOK, "--bench", BENCH], "say with --from"),
        (["calibrate", NOTEBOOK, "--bench", BENCH, "--from", "standard"], "needs its --moment"),
        (["calibrate", NOTEBOOK, "--bench", BENCH, "--from", "standard", "--moment", "3 kg"], "A*m^2"),
        (["calibrate", NOTEBOOK, "--bench", BENCH, "--from", "probe", "--probe-depth", "deep"], "deep"),
        (["settle", NOTEBOOK, "--resolution", "0mg"], "above zero"),
        (["settle", NOTEBOOK, "--resolution", "1mg", "--target", "1 mm"], "not given in mg"),
        (["steady"], "--port"),
        (["demo", "--points", "1"], "4<=x<=100"),
    ],
)
def test_a_wrong_call_is_told(words: list[str], said: str) -> None:
    told(call(*words), 2, said, "Usage: ")


@pytest.mark.parametrize(
    ("turner", "zeros", "said"),
    [
        (False, "hand", "the sample taken off by hand. Turn the sample over before passages 3 and 5"),
        (False, "far", "the sample on. Turn the sample over before passages 3 and 5"),
        (True, "hand", "the sample taken off by hand. Turn the sample over before passages 3 and 5"),
        (
            True,
            "far",
            "more readings at the far end, the sample on. The turner turns the sample over",
        ),
    ],
)
def test_plan_says_who_the_zeros_need(turner: bool, zeros: str, said: str, tmp_path: Path) -> None:
    lift = BENCH_TEXT.format(ladder="lift") + (TURNER if turner else "")
    (tmp_path / "b.toml").write_text(lift)
    words = ("plan", "--bench", str(tmp_path / "b.toml"), "--points", "8")
    assert said in good(*words, "--zeros", zeros).stdout
    usual = "far" if turner else "hand"
    assert (good(*words).stdout == good(*words, "--zeros", zeros).stdout) == (zeros == usual)


def test_far_zeros_are_refused_with_spacers_and_doubted_for_a_soft_sample(tmp_path: Path) -> None:
    refused = call("plan", "--bench", BENCH, "--zeros", "far")
    assert refused.exit_code == 1
    assert "taken off for every gap anyway" in refused.stderr
    near = BENCH_TEXT.format(ladder="lift") + TURNER + 'travel = "12 mm"\nturning_height = "12 mm"\n'
    (tmp_path / "b.toml").write_text(near)
    words = ("plan", "--bench", str(tmp_path / "b.toml"), "--points", "8", "--zeros")
    assert "is expected to lose" in good(*words, "far").stderr
    assert "is expected to lose" not in good(*words, "hand").stderr
