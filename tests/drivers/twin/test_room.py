"""A room that is heated: what magnet and sample do.

Hard ferrite loses about 0.19 to 0.2 % of its remanence a kelvin and gains 0.3 to 0.5 % of HcJ, sintered NdFeB
loses 0.10 to 0.12 % of its remanence (all from memory).
"""

from __future__ import annotations

import pytest

from weighloop.drivers.twin import bench_file as scenario
from weighloop.drivers.twin.bench import TwinBench
from weighloop.drivers.twin.room import warmed
from weighloop.drivers.twin.true_figures import BEYOND_ALL, curve, figures, reach, uniform_loop


def test_figures_change_as_hard_ferrites_do() -> None:
    cold = scenario.read("over-fired", calm=True)
    warm = warmed(cold, 10.0)
    loops = [uniform_loop(bench.pellet(), BEYOND_ALL) for bench in (cold, warm)]
    before, after = (figures(curve(*loop), reach(*loop), 1.0) for loop in loops)
    assert after["remanence_A_per_m"] / before["remanence_A_per_m"] == pytest.approx(0.981, abs=0.001)  # type: ignore[operator]
    assert 1.03 < after["coercivity_HcJ_A_per_m"] / before["coercivity_HcJ_A_per_m"] < 1.05  # type: ignore[operator]
    assert warm.magnet.remanence / cold.magnet.remanence == pytest.approx(0.989, abs=0.001)


def test_heating_reaches_thermistor_magnet_and_sample() -> None:
    """The pull goes with magnet and sample: about 0.3 % a kelvin less at one gap."""
    twin = TwinBench(3, calm=True)
    twin.advance(1.0)
    cold, begun = twin.state()["pull_kg"], twin.lift.temperature
    twin.do("heating", kelvin=6.0, hours=0.01)
    twin.advance(18.0)
    assert twin.room.above(twin.now) == pytest.approx(3.0, abs=0.1)
    twin.advance(20.0)
    assert twin.room.above(twin.now) == 6.0
    assert twin.lift.temperature - begun == pytest.approx(6.0, abs=0.5)
    assert twin.state()["pull_kg"] / cold == pytest.approx(1.0 - 0.003 * 6.0, abs=0.006)


def test_a_room_that_is_not_heated_changes_nothing() -> None:
    twin = TwinBench(3, calm=True)
    before = twin.pellet.material
    twin.advance(5.0)
    assert twin.pellet.material is before
