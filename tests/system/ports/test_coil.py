"""A coil's current through the real port: the driver switches the twin's source, its balance feels it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.serial.serial_peers import Ears, wait_for
from weighloop.analysis.files.bench_file import read_bench
from weighloop.drivers.clock import RealClock
from weighloop.drivers.current_source import CurrentLost

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are needed", allow_module_level=True)

from tests.system.ports.test_serve import Served
from weighloop.drivers.lift.lift import SerialLift

SPEED = 10.0  # the twin's is 20: deadlines hold also where the machine cannot keep pace


@pytest.fixture
def served() -> Iterator[Served]:
    twin = Served("--calm", "--seed", "5", "--bench", "uneven")
    yield twin
    twin.end()


@pytest.fixture
def lift(served: Served) -> Iterator[SerialLift]:
    bench = read_bench(Path(served.places["bench_file"]))
    supply = bench.current_source
    assert supply is not None
    assert bench.lift_port is not None
    made = SerialLift(
        bench.lift_port,
        Ears(),
        RealClock(SPEED),
        travel=bench.gap.travel,
        shunt=supply.shunt,
        largest_current=supply.largest_current,
    )
    yield made
    made.close()


def test_a_coil_is_pulled_one_way_and_the_other(served: Served, lift: SerialLift) -> None:
    source = lift.current_source
    assert source is not None
    lift.establish()
    assert served.do("remove-sample")["ok"]
    assert served.do("place-coil", end=1)["ok"]
    lift.approach(2e-3)
    zero = served.do("state")["load_kg"]
    pulls = {}
    for direction in (1, -1):
        source.set_current(direction)
        measured = source.measured_current()
        true = served.do("state")
        assert measured.value == pytest.approx(true["coil_current_A"], rel=0.01)
        assert measured.resistance == pytest.approx(9.05 * (1 + 0.00393 * true["coil_warmth_K"]), rel=0.03)
        pulls[direction] = zero - true["load_kg"]
    assert pulls[1] == pytest.approx(-pulls[-1], rel=0.01)  # the one after the other, a little warmer
    assert pulls[1] > 0.5e-3
    lift.approach(5e-3)  # a motion ends it
    with pytest.raises(CurrentLost, match="the lift moved"):
        source.measured_current()
    assert served.do("state")["coil_current_A"] == 0


def test_faults_of_plug_and_lead(served: Served, lift: SerialLift) -> None:
    source = lift.current_source
    assert source is not None
    lift.establish()
    source.set_current(1)
    served.do("source-plug", plugged=False)
    wait_for(lambda: source.direction == 0)
    assert "plug" in source.why_off
    served.do("source-plug", plugged=True)
    served.do("coil-lead", broken=True)
    with pytest.raises(CurrentLost, match="neither lead broken"):
        source.set_current(-1)
    served.do("coil-lead", broken=False)
    source.set_current(-1)
    served.do("lift-stop")
    wait_for(lambda: source.direction == 0)
    assert served.do("state")["coil_current_A"] == 0
