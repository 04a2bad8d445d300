"""The magnet's axis by a coil moved sideways, on a bench of the tests' own (``models.uneven``)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.models.loops import PER_KG, reclaimed_bench
from tests.support.models.uneven import TrueCoil, UnevenBench, coil_pull
from weighloop.analysis.calibration.axis import find_axis
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.report.axis import write_axis

CROSS = [(0, 0), (-3, 0), (3, 0), (0, -3), (0, 3), (0, 0)]
AXIS = (0.4e-3, -0.2e-3)


def scanned(places, noise: float = 0.0, seed: int = 1, core: float = 0.04, height: float = 0.0):
    """x, y (m), current (A), reading (kg) of a scan with + - - + at every place (mm), a drift and a zero."""
    rng = np.random.default_rng(seed)
    rows = []
    for place in np.array(places, float) * 1e-3:
        bench = UnevenBench(core=core, aside=float(np.hypot(*(place - AXIS))))
        pull = coil_pull(bench, TrueCoil(), np.array([height]), np.ones(1))[0] / PER_KG
        for current in (48e-3, -48e-3, -48e-3, 48e-3):
            drift = 2e-3 + 20e-9 * len(rows)
            rows.append((*place, current, drift - current * pull + noise * rng.standard_normal()))
    return np.array(rows).T


@pytest.mark.parametrize("core", [0.0, 0.04, -0.06])
@pytest.mark.parametrize("height", [0.0, 7e-3])
def test_a_cross_finds_it(core: float, height: float) -> None:
    """The parabola's own error is what it is said to be, and gone once the coil has been moved there."""
    found = find_axis(*scanned(CROSS, core=core, height=height), least_u=1e-9, radius=10e-3)
    assert found.x is not None
    assert found.y is not None
    off = np.hypot(found.x.value - AXIS[0], found.y.value - AXIS[1])
    assert off < 2 * found.u
    assert found.u < 0.05e-3
    there = np.array(CROSS) + 1e3 * np.array([found.x.value, found.y.value])
    again = find_axis(*scanned(there, core=core, height=height), least_u=1e-9, radius=10e-3)
    assert again.x is not None
    assert again.y is not None
    assert np.hypot(again.x.value - AXIS[0], again.y.value - AXIS[1]) < 2 * again.u
    assert again.u < 0.01e-3


def test_its_uncertainty_holds() -> None:
    """1 mg of noise a reading, magnets stronger or weaker in the core: the errors are what is stated."""
    off = []
    for seed in range(40):
        found = find_axis(
            *scanned(CROSS, noise=1e-6, seed=seed, core=0.03 * np.sin(seed)), least_u=0.3e-6, radius=10e-3
        )
        assert found.x is not None
        assert found.y is not None
        assert found.u < 0.1e-3
        off += [(found.x.value - AXIS[0]) / found.x.u, (found.y.value - AXIS[1]) / found.y.u]
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_one_screw_tells_one_axis() -> None:
    found = find_axis(*scanned([(-3, 0), (-1.5, 0), (0, 0), (1.5, 0), (3, 0)]), least_u=1e-9, radius=10e-3)
    assert found.y is None
    assert found.x is not None
    assert found.x.value == pytest.approx(AXIS[0], abs=2 * found.x.u)
    told = found.to_json()
    assert told["axis_y_m"] is None
    assert told["u_offset_m"] == found.x.u
    assert "along y" in " ".join(found.advice)
    assert "offset =" not in " ".join(found.advice), "what lies along y is not known"


def test_places_are_as_far_away_as_they_are_and_the_parabola_meets_them() -> None:
    found = find_axis(*scanned(CROSS), least_u=1e-9, radius=10e-3)
    away = np.hypot(*(np.array(CROSS).T * 1e-3 - np.array(AXIS)[:, None]))
    assert found.away == pytest.approx(away, abs=0.1e-3)
    by_parabola = found.pulls.on_axis * (1 + found.pulls.bend * found.away**2)
    assert by_parabola == pytest.approx(found.pulls.kg_per_A, rel=5e-4)


def test_a_page_of_one_screw(tmp_path) -> None:
    found = find_axis(*scanned([(-3, 0), (-1.5, 0), (0, 0), (1.5, 0), (3, 0)]), least_u=1e-9, radius=10e-3)
    write_axis(found, reclaimed_bench(), "scan.csv", tmp_path / "axis.html")
    page = (tmp_path / "axis.html").read_text(encoding="utf-8")
    assert "then scan along y" in page
    assert "offset =" not in page


@pytest.mark.parametrize(
    ("places", "words"),
    [
        ([(0, 0), (1, 0), (0, 1)], "three places"),
        ([(0, 0)] * 6, "three places"),
        ([(0, 0), (3, 0), (0, 3), (3, 3), (0, 0), (3, 0)], "three places"),
        ([(1, 0), (2, 0), (3, 0), (4, 0), (2.5, 0)], "beyond the places|hardly changes"),
    ],
)
def test_places_that_do_not_tell(places, words: str) -> None:
    with pytest.raises(NotPossible, match=words):
        find_axis(*scanned(places), least_u=1e-9, radius=10e-3)


def test_a_height_that_does_not_tell() -> None:
    """Between growing towards the rim and falling: 2 mm above the closest position of this bench."""
    with pytest.raises(NotPossible, match="hardly changes"):
        find_axis(*scanned(CROSS, noise=1e-6, height=2e-3), least_u=0.3e-6, radius=10e-3)


def test_a_current_that_was_not_reversed() -> None:
    x, y, current, reading = scanned(CROSS)
    with pytest.raises(NotPossible, match="row 1: at x = 0 mm, y = 0 mm the coil's current"):
        find_axis(x, y, np.abs(current), reading, radius=10e-3)
