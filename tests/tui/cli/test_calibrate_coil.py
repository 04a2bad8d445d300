"""`weighloop calibrate --from coil`, from a notebook to the bench file, figures and a check."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from tests.analysis.calibration.test_axis import AXIS, CROSS, scanned
from tests.benchmarks.calibrated import FILE
from tests.support.bench.coil_bench import COIL
from tests.support.models.loops import PER_KG
from tests.support.models.uneven import TrueCoil, UnevenBench, coil_pull
from tests.tui.cli.test_verbs import call, good
from weighloop.analysis.files.bench_file import read_bench

TRUE = UnevenBench(remanence=1.288, contact=1.04e-3, core=0.03, scale=1.003)


def notebook(path: Path, heights: list[float], ends: tuple[int, ...] = (1, -1)) -> Path:
    """A coil weighed with + - - + at every height (mm), a zero of 2 g and a resistance 1.2 % warm. With the
    other end down the same plug drives the current the other way round."""
    lines = ["height_mm,end,current_mA,reading_g,resistance_ohm"]
    rng = np.random.default_rng(4)
    for end in ends:
        pull = coil_pull(TRUE, TrueCoil(), np.array(heights) * 1e-3, np.full(len(heights), end))
        for height, newton in zip(heights, pull, strict=True):
            for sign in (1, -1, -1, 1):
                gram = 2.0 - end * sign * 0.048 * newton / PER_KG * 1e3 + 1e-3 * rng.standard_normal()
                lines.append(f"{height},{end},{sign * 48},{gram:.3f},9.16")
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(FILE + COIL)
    return path


def test_a_coil_from_notebook_to_bench_file(bench: Path, tmp_path: Path) -> None:
    readings = notebook(tmp_path / "coil.csv", [0, 1, 3, 6, 11, 17])
    new, page = tmp_path / "calibrated.toml", tmp_path / "calibration.html"
    words = ("calibrate", str(readings), "--bench", str(bench), "--from", "coil")
    found = json.loads(good(*words, "-o", str(new), "--report", str(page), "--json").stdout)
    assert abs(found["contact_m"] - TRUE.contact) < 3 * found["u_contact_m"]
    assert found["chi_square"]["coil of known current"] < 2
    names = [p["name"] for p in found["parameters"]]
    assert {"core_excess", "scale", "turn_area", "coil_tilt"} <= set(names)
    calibrated = read_bench(new)
    assert calibrated.calibration is not None
    assert calibrated.coil == read_bench(bench).coil
    assert calibrated.gap.scale.u < 0.005
    text = page.read_text()
    assert "excess of the magnet" in text
    assert "reduced chi-square" in text
    assert "<svg" in text


def test_a_check_by_one_gap(bench: Path, tmp_path: Path) -> None:
    readings = notebook(tmp_path / "coil.csv", [0, 1, 3, 6, 11, 17])
    new = tmp_path / "calibrated.toml"
    good("calibrate", str(readings), "--bench", str(bench), "--from", "coil", "-o", str(new))
    one = notebook(tmp_path / "check.csv", [2.0], ends=(1,))
    words = ("calibrate", str(one), "--bench", str(new), "--from", "coil", "--check")
    assert "The calibration holds" in good(*words).stdout
    expired = re.sub('expires = ".*"', 'expires = "2020-01-01"', new.read_text())
    (tmp_path / "old.toml").write_text(expired)
    said = call("field", "--bench", str(tmp_path / "old.toml"), "--gap", "2 mm")
    assert "expired on 2020-01-01" in said.output
    stronger = one.read_text().replace(",48,", ",46,").replace(",-48,", ",-46,")
    one.write_text(stronger)  # as if the same pull had come of less current
    result = call(*words)
    assert result.exit_code == 1
    assert "does not hold any more" in result.output


def test_what_a_coil_needs_is_said(bench: Path, tmp_path: Path) -> None:
    readings = notebook(tmp_path / "coil.csv", [0, 3, 9])
    bench.write_text(FILE)
    result = call("calibrate", str(readings), "--bench", str(bench), "--from", "coil")
    assert result.exit_code == 1
    assert "a table [coil] with turns, inner_diameter" in result.output
    result = call("calibrate", str(readings), "--bench", str(bench), "--from", "pair", "--check")
    assert result.exit_code == 2


def test_the_axis_by_the_coil_moved_sideways(bench: Path, tmp_path: Path) -> None:
    rows = scanned(CROSS, noise=1e-6).T * 1e3  # mm, mA, g
    scan = tmp_path / "scan.csv"
    lines = [",".join(f"{value:.6g}" for value in row) for row in rows]
    scan.write_text("x_mm,y_mm,current_mA,reading_g\n" + "\n".join(lines) + "\n")
    words = ("calibrate", str(scan), "--bench", str(bench), "--from", "axis")
    found = json.loads(good(*words, "--json").stdout)
    for name, true in zip("xy", AXIS, strict=True):
        assert abs(found[f"axis_{name}_m"] - true) < 3 * found[f"u_axis_{name}_m"]
    page = tmp_path / "axis.html"
    said = good(*words, "--report", str(page)).output
    assert re.search(r"x = \+0\.\d+ mm \+/- 0\.0\d+ mm", said)
    assert 'offset = "0 mm +/- 0.0' in said
    text = page.read_text(encoding="utf-8")
    assert "once it stands on the axis" in text
    # The map says at each place beside the middle how much more it pulls there.
    assert len(re.findall(r"\+\d\.\d\d %", text[text.index("<svg") :])) >= 4
    assert call(*words, "-o", str(page)).exit_code == 2
    scan.write_text("\n".join(["x_mm,y_mm,current_mA,reading_g", *lines[:8]]) + "\n")
    result = call(*words)
    assert result.exit_code == 1
    assert "three places or more each" in " ".join(result.output.split())
