"""`weighloop substitute` and `calibrate --from hoops`, from files to pages.

The bench is the tests' own: an uneven magnet that the bench file states 3 % wrong, the contact gap 0.1 mm.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.calibrated import FILE
from tests.support.models.forward import Pellet
from tests.support.models.loops import PER_KG
from tests.support.models.uneven import TrueCoil, UnevenBench, coil_pull
from tests.tui.cli.test_calibrate_coil import COIL
from tests.tui.cli.test_verbs import call, good
from weighloop.analysis.files.bench_file import read_bench

TRUE = UnevenBench(remanence=1.339, contact=1.1e-3, core=0.04)
M = 250e3  # of an evenly magnetised disc, A/m
HEIGHTS = (0.0, 2.0, 5.0, 9.0)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(FILE + COIL)
    return path


def coil_csv(path: Path, heights: tuple[float, ...] = HEIGHTS) -> Path:
    """Both ends down, + - - +; the other end drives it the other way round."""
    lines = ["height_mm,end,current_mA,reading_g"]
    for end in (1, -1):
        for height in heights:
            newton = coil_pull(TRUE, TrueCoil(), np.array([height * 1e-3]), np.array([end]))[0]
            gram = 1e3 * end * 0.048 * newton / PER_KG
            lines += [f"{height},{end},{sign * 48},{1.5 - sign * gram:.5f}" for sign in (1, -1, -1, 1)]
    path.write_text("\n".join(lines) + "\n")
    return path


def sample_csv(path: Path) -> Path:
    """The disc at the coil's heights and at one more, both ways up."""
    pellet = Pellet("cylinder", 6e-3, 3e-3, rings=6, layers=8)
    x, y, z, weight = pellet.nodes()
    lines = ["height_mm,orientation,reading_g,zero_before_g"]
    for side in (1, -1):
        for height in (*HEIGHTS, 14.0):
            gap = float(TRUE.gap(np.array([height * 1e-3]))[0])
            slope = float(weight @ TRUE.field(x, y, z + gap)[1])
            lines.append(f"{height},{side},{0.2 + 1e3 * side * pellet.volume * M * slope / PER_KG:.5f},0.2")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_substitution_needs_neither_magnet_nor_contact(bench: Path, tmp_path: Path) -> None:
    """M by the ratio to the coil's pull is right to 0.3 %, where the bench file is 3 % and 0.1 mm off."""
    sample, coil = sample_csv(tmp_path / "disc.csv"), coil_csv(tmp_path / "coil.csv")
    words = ("substitute", str(sample), "--coil", str(coil), "--bench", str(bench))
    page = tmp_path / "page.html"
    found = json.loads(good(*words, "--json", "--report", str(page)).stdout)
    assert len(found["rows"]) == 6
    assert found["left_out"] == [1, 5, 6, 10], "the winding begins 1 mm up in the coil"
    for row in found["rows"]:
        assert row["M_A_per_m"] == pytest.approx(M, rel=3e-3)
        assert abs(row["M_A_per_m"] - M) < 2 * row["u_M_A_per_m"] < 0.01 * M
    area = found["budget"]["coil's turns times area"]
    assert area == pytest.approx(14 / 4799.57, rel=1e-3)
    assert found["u_common"] == pytest.approx(np.hypot.reduce(list(found["budget"].values())))
    text = page.read_text()
    assert "<svg" in text
    assert "Rows 1, 5, 6, 10: outside the places where the winding was" in text
    said = good(*words)
    assert "M /(kA/m)" in said.stdout
    assert "rows 1, 5, 6, 10" in said.stderr


def test_nothing_in_common_is_refused(bench: Path, tmp_path: Path) -> None:
    sample, coil = sample_csv(tmp_path / "disc.csv"), coil_csv(tmp_path / "coil.csv", (9.2, 11.0))
    result = call("substitute", str(sample), "--coil", str(coil), "--bench", str(bench))
    assert result.exit_code == 1
    assert "weigh the sample there" in result.output


HOOPS = """
[hoops]
radius = "150 mm +/- 0.15 mm"
spacing = "150 mm +/- 0.2 mm"
turns = 20
current = "1.000 A +/- 0.001 A"
voltage = "{voltage} mV +/- 0.07 mV"
frequency = "5000 Hz +/- 0.1 Hz"
size = "3 mm"
tilt = "2 deg"
"""


def test_turns_times_area_by_a_helmholtz_pair(bench: Path, tmp_path: Path) -> None:
    """Field midway 8/5^(3/2) mu0 N I / R (textbooks on electromagnetism; Helmholtz), Faraday's law for the
    voltage: the area that induced it comes back, into the bench file and with its budget onto the page."""
    true = 291 * 16.5e-6
    field = 8 / 5**1.5 * 4e-7 * np.pi * 20 * 1.0 / 0.15
    file, new, page = tmp_path / "hoops.toml", tmp_path / "new.toml", tmp_path / "area.html"
    file.write_text(HOOPS.format(voltage=f"{1e3 * 2 * np.pi * 5000 * field * true:.6f}"))
    words = ("calibrate", str(file), "--from", "hoops", "--bench", str(bench))
    found = json.loads(good(*words, "-o", str(new), "--report", str(page), "--json").stdout)
    assert found["turn_area_m2"] == pytest.approx(true, rel=1e-5)
    assert found["budget"]["voltage"] == pytest.approx(0.07 / 17.7, rel=0.05)
    area = read_bench(new).coil
    assert area is not None
    assert area.turn_area is not None
    assert area.turn_area.value == pytest.approx(true, rel=1e-4)
    assert "radius of the hoops" in page.read_text()
    assert "as the bench file states it" in page.read_text()
    assert "turn_area = " in good(*words).stdout


def test_each_fault_of_a_file_of_hoops_is_named(tmp_path: Path) -> None:
    file = tmp_path / "hoops.toml"
    file.write_text(
        HOOPS.format(voltage="36").replace("turns = 20", "turns = 0").replace("150 mm +", "150 g +")
    )
    result = call("calibrate", str(file), "--from", "hoops")
    assert result.exit_code == 1
    for words in ("hoops.radius", "hoops.spacing", "hoops.turns"):
        assert words in result.output
