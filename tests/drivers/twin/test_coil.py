"""The twin's coil: its pull and its warming, judged by what is not the twin's."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.models.uneven import TrueCoil, UnevenBench, coil_pull
from weighloop.analysis.calibration.axis import find_axis
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.drivers.twin.bench import TwinBench
from weighloop.drivers.twin.coil import CoilMaker, TwinCoil
from weighloop.drivers.twin.field import Magnet

MAKER = CoilMaker(3e-3, 6e-3, 3e-3, 1e-3, 5e-3, 4800e-6, 9.05)


@pytest.fixture
def bench() -> TwinBench:
    made = TwinBench(3, bench="uneven", calm=True)
    assert made.do("remove-sample")["ok"]
    return made


@pytest.mark.parametrize("gap", [1e-3, 7e-3])
@pytest.mark.parametrize("aside", [0.0, 0.4e-3])
def test_the_pull_by_a_librarys_loops(gap: float, aside: float) -> None:
    """magpylib's Circle in its magnet's field (getFT: I dl x B on the loop's pieces), turn by turn."""
    import magpylib as magpy

    magnet = magpy.magnet.Cylinder(polarization=(0, 0, 1.3), dimension=(20e-3, 10e-3), position=(0, 0, -5e-3))
    ours = TwinCoil(MAKER, Magnet("cylinder", (20e-3,), 10e-3, 1.3), aside, 293.15)
    nodes, weights = np.polynomial.legendre.leggauss(6)
    pull = area = 0.0
    for x, w in zip(nodes, weights, strict=True):
        radius = 2.25e-3 + 0.75e-3 * x
        area += w / 2 * np.pi * radius**2
        for y, v in zip(nodes, weights, strict=True):
            at = (aside, 0, gap + 1e-3 + 1.5e-3 * (1 + y))
            turn = magpy.current.Circle(diameter=2 * radius, current=1.0, position=at)
            pull -= w * v / 4 * magpy.getFT(magnet, turn, meshing=400)[0][2]
    assert ours.attraction(gap, 1.0, 1) == pytest.approx(4800e-6 / area * pull, rel=1e-4)


def test_an_uneven_magnet_and_both_ends() -> None:
    """``models.uneven`` has the same bench by sheets of current and its own integrals."""
    true = UnevenBench(remanence=1.28, core=0.04, contact=1e-3, aside=0.4e-3)
    coil = TwinCoil(MAKER, Magnet("cylinder", (20e-3,), 10e-3, 1.28, core=0.04), 0.4e-3, 293.15)
    for end in (1, -1):  # the lowest turn is 1 mm up, or 1.4 mm
        maker = TrueCoil(turn_area=4800e-6, rise=1e-3, thickness=5.4e-3)
        coil.maker = CoilMaker(3e-3, 6e-3, 3e-3, 1e-3, 5.4e-3, 4800e-6, 9.05)
        heights = np.array([0.0, 3e-3, 17e-3])
        pulls = coil_pull(true, maker, heights, np.full(3, end))
        ours = [end * coil.attraction(1e-3 + float(h), 1.0, end) for h in heights]
        assert ours == pytest.approx(pulls, rel=2e-4)


def test_current_warms_it_and_the_warmth_shows() -> None:
    """Copper by IEC 60028: 0.393 % of its resistance a kelvin."""
    coil = TwinCoil(MAKER, Magnet("cylinder", (20e-3,), 10e-3, 1.3), 0.0, 293.15)
    cold = coil.attraction(2e-3, 0.048, 1)
    for _ in range(50 * 600):
        coil.carry(0.048, 0.02)
    power = 0.048**2 * coil.resistance
    assert coil.warmth == pytest.approx(650 * power, rel=1e-3)
    assert coil.resistance == pytest.approx(9.05 * (1 + 0.00393 * coil.warmth))
    assert 0 < coil.attraction(2e-3, 0.048, 1) / cold - 1 == pytest.approx(2 * 17e-6 * coil.warmth, rel=1e-3)
    for _ in range(50 * 600):
        coil.carry(0.0, 0.02)
    assert abs(coil.warmth) < 0.01


def test_the_balance_feels_it(bench: TwinBench) -> None:
    """The supply's current in the coil, both ways round and both ends down, on the balance."""
    bench.lift.stage.motor = bench.lift.stage.carriage = 2.0 * 1600
    per_gram = bench.scenario.gravity * (1 - 1.2 / 8000) * 1e-3
    shown = {}
    for end in (1, -1):
        assert bench.do("place-coil", end=end)["ok"]
        for mA in (48.0, -48.0, 0.0):
            assert bench.do("set-current", mA=mA)["ok"]
            bench.advance(30)
            shown[end, mA] = bench.balance.shown.value
        pull = bench.coil.attraction(bench.gap, 48e-3, end) / per_gram
        assert shown[end, -48.0] - shown[end, 48.0] == pytest.approx(2 * pull, abs=0.005)
        assert abs(pull) > 0.5
    assert shown[1, 48.0] < shown[1, 0.0] < shown[-1, 48.0]


def test_the_seats_screws_find_the_axis(bench: TwinBench) -> None:
    """What a scan with the coil finds is where the twin has put the axis: 0.4 mm from its seat."""
    bench.lift.stage.motor = bench.lift.stage.carriage = 0.0
    bench.do("place-coil")
    per_kg = bench.scenario.gravity * (1 - 1.2 / 8000)
    rows, found = [], None
    for middle in (0.0, -0.4):
        rows.clear()
        for x, y in ((0, 0), (-3, 0), (3, 0), (0, -3), (0, 3), (0, 0)):
            assert bench.do("move-seat", x_mm=middle + x, y_mm=y)["ok"]
            for current in (48e-3, -48e-3, -48e-3, 48e-3):
                pull = bench.coil.attraction(bench.gap, current, 1) / per_kg
                rows.append(((middle + x) * 1e-3, y * 1e-3, current, -pull))
        found = find_axis(*np.array(rows).T, radius=10e-3, least_u=0.1e-6)
        assert found.x.value == pytest.approx(-0.4e-3, abs=2 * found.x.u)
        assert found.y.value == pytest.approx(0.0, abs=2 * found.y.u)
    assert found.u < 0.02e-3


def test_what_hands_cannot_do(bench: TwinBench) -> None:
    bench.do("place-sample")
    assert "sample off" in bench.do("place-coil")["why"]
    bench.do("remove-sample")
    assert "neither" in bench.do("place-coil", end=2)["why"]
    bench.do("place-coil")
    assert "the coil hangs" in bench.do("place-sample")["why"]
    assert bench.state()["coil_end"] == 1
    bench.do("remove-coil")
    assert bench.state()["coil_end"] is None
    assert "no coil" in TwinBench(3, calm=True).do("set-current", mA=1)["why"]


def test_the_users_file_states_it_and_is_off_by_what_it_states(bench: TwinBench) -> None:
    areas, contacts = [], []
    for seed in range(12):
        stated = parse_bench(bench.stated(seed)["text"])
        assert stated.coil is not None
        assert stated.current_source is not None
        assert (stated.current_source.shunt, stated.current_source.largest_current) == (47.0, 0.055)
        areas.append((stated.coil.turn_area.value - 4800e-6) / stated.coil.turn_area.u)
        contacts.append((stated.gap.contact.value - 1e-3) / stated.gap.contact.u)
        assert stated.reference_magnet.core_excess.value == 0
    for off in (areas, contacts):
        assert 0.3 < np.std(off) < 2
        assert max(np.abs(off)) <= 2 + 1e-6
    gains = {TwinBench(seed, bench="uneven").scenario.source.gain for seed in range(4)}
    assert len(gains) == 4
    assert all(0 < abs(gain - 1) < 0.004 for gain in gains)
