"""The current source: what flows is told by the emulator's circuit, on the pins, not by the firmware."""

from __future__ import annotations

import os
import select
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from statistics import mean

import pytest

from tests.support.lift.current_campaign import COIL, everything_goes_wrong
from tests.support.lift.lift_emulator import Emulator, Rig, wait_for
from weighloop.drivers.current_source import CurrentLost
from weighloop.drivers.device import DeviceError, DeviceRefused, DeviceState
from weighloop.drivers.lift.frames import STOP, seal

pytestmark = pytest.mark.firmware

#: Supply by the resistors of the circuit (sim/source.c): Ohm's law.
FLOWS = 5.0 / (47.9 + 47.0 + COIL)


@pytest.fixture
def bench(build: Path, tmp_path: Path) -> Iterator[Rig]:
    """A lift with a current source and a coil in its plug, in a session: a current needs no homing."""
    emulator = Emulator(build, tmp_path)
    emulator(f"source 1 {COIL}")
    made = Rig(emulator)
    made.another(shunt=47.0, largest_current=55e-3)
    wait_for(lambda: made.lift.state is DeviceState.READY)
    made.say("M113 S60000")
    yield made
    made.close()


@pytest.fixture
def on(bench: Rig) -> Rig:
    """The same, the current on."""
    assert bench.lift.current_source is not None
    bench.lift.current_source.set_current(1, 300)
    assert bench.emulator.state["way"] == 1
    return bench


def off(rig: Rig) -> bool:
    return rig.emulator.state["way"] == 0


def why(rig: Rig) -> str:
    """Why it went off, once the driver has heard of it."""
    assert rig.lift.current_source is not None
    wait_for(lambda: rig.lift.current_source.direction == 0)
    return rig.lift.current_source.why_off


# ---- what flows ----


def test_the_controller_names_it(bench: Rig) -> None:
    assert bench.say("M115")[1].flags == ("lift1", "source")
    assert {"J", "Y"} <= set(bench.status().words)


def test_without_one_its_words_are_unsupported(rig: Rig) -> None:
    wait_for(lambda: rig.lift.state is DeviceState.READY)
    assert rig.say("M115")[1].flags == ("lift1",)
    for line in ("M3 S10", "M4 S10", "M5", "M213 I50 R47"):
        with pytest.raises(DeviceRefused, match="unsupported"):
            rig.say(line)
    assert "J" not in rig.status().words


@pytest.mark.parametrize("supply", [4700, 5250])
def test_what_flows_is_what_is_told(bench: Rig, supply: float) -> None:
    """The supply drops out: of a converter that knows nothing but its own supply both are off by 5 %."""
    bench.emulator(f"supply {supply}")
    source = bench.lift.current_source
    assert source is not None
    for direction in (1, -1):
        source.set_current(direction)
        measured = source.measured_current()
        values = []
        for _ in range(8):
            measured = source.measured_current(measured.ended)
            values.append(measured.value)
        true = bench.emulator.state["mA"] * 1e-3
        assert true == pytest.approx(direction * FLOWS * supply / 5000, rel=1e-3)
        # A step of the converter is 0.1 mA; a second's mean, of 140 samples with 2.5 mV of noise, scatters by
        # up to 0.009 mA (both ends of the shunt and the reference).
        assert mean(values) == pytest.approx(true, abs=1.5e-5)
        assert measured.resistance == pytest.approx(COIL, rel=0.02)
    source.set_current(0)
    state = bench.emulator.state
    assert (state["way"], state["both"], state["switched"]) == (0, 0, 2)
    assert state["off_us"] > 1000  # between one direction and the other


def test_a_new_time_begins_without_a_break(on: Rig) -> None:
    for _ in range(3):
        on.lift.current_source.set_current(1, 2)
    start = on.emulator.state["seconds"]
    assert on.emulator.state["switched"] == 1
    wait_for(lambda: off(on))
    assert on.emulator.state["seconds"] - start < 3
    assert why(on) == "its time was over"


# ---- interlocks ----


def test_off_by_default_and_refused_without_limit_watch_plug_or_reference(bench: Rig) -> None:
    assert off(bench)
    with pytest.raises(DeviceRefused, match="interlock"):
        bench.say("M3 S10")  # no limit
    for words in ("I60.001 R47", "I50 R0.999", "I50 R91"):
        with pytest.raises(DeviceRefused, match="range"):
            bench.say(f"M213 {words}")
    bench.say("M213 I55 R47")
    bench.say("M113 S0")
    with pytest.raises(DeviceRefused, match="interlock"):
        bench.say("M3 S10")
    bench.say("M113 S60000")
    for line in ("M3 S0", "M4 S301"):
        with pytest.raises(DeviceRefused, match="range"):
            bench.say(line)
    for line in ("M3", "M4 P10", "M5 S1", "M213 I50"):
        with pytest.raises(DeviceRefused, match="syntax"):
            bench.say(line)
    for fault, healed in (("reference 0", "reference 2500"), ("reference 5000", "reference 2500")):
        bench.emulator(fault)
        pause(bench)
        with pytest.raises(DeviceRefused, match="interlock"):
            bench.say("M3 S10")
        bench.emulator(healed)
        pause(bench)
    bench.emulator(f"source 0 {COIL}")
    with pytest.raises(DeviceRefused, match="interlock"):
        bench.say("M3 S10")
    state = bench.emulator.state
    assert (state["switched"], state["largest_mA"]) == (0, 0)


def pause(rig: Rig, seconds: float = 0.1) -> None:
    start = rig.emulator.state["seconds"]
    wait_for(lambda: rig.emulator.state["seconds"] > start + seconds)


def test_too_large_a_current(bench: Rig) -> None:
    source = bench.lift.current_source
    bench.say("M213 I45 R47")
    start = bench.emulator.state["longest_s"]
    bench.say("M3 S100")
    wait_for(lambda: bench.emulator.state["switched"] == 1 and off(bench))
    assert start == 0
    assert bench.emulator.state["longest_s"] < 0.025  # two rounds of seven samples, one a millisecond
    assert why(bench) == "it was larger than the limit"
    bench.emulator("coil 0")  # shorted: by the resistors 52.7 mA
    source.set_current(1)
    assert bench.emulator.state["largest_mA"] < 55
    bench.emulator("supply 5400")  # 56.9 mA
    wait_for(lambda: off(bench))
    assert why(bench) == "it was larger than the limit"


@pytest.mark.parametrize(
    ("end", "reason"),
    [
        ("reference 1000", "reference"),
        (f"source 0 {COIL}", "plug"),
        ("button 1", "halted"),
        ("switch 1", None),  # at rest the far-end switch stops nothing
    ],
)
def test_faults_while_it_flows(on: Rig, end: str, reason: str | None) -> None:
    on.emulator(end)
    if reason is None:
        pause(on)
        assert not off(on)
        return
    wait_for(lambda: off(on))
    assert reason in why(on)
    with pytest.raises(CurrentLost, match="off"):
        on.lift.current_source.measured_current()


def test_a_motion_ends_it_and_allows_none(on: Rig) -> None:
    on.say("G4 P300")  # a wait is no motion
    pause(on, 0.5)
    assert not off(on)
    edges = on.emulator.state["edges"]
    on.emulator("speed 1")  # so that it is still homing when it is asked
    on.say("G28")
    assert off(on)
    wait_for(lambda: on.emulator.state["edges"] > edges)
    with pytest.raises(DeviceRefused, match="busy"):
        on.say("M3 S100")
    assert why(on) == "the lift moved"
    assert on.emulator.state["switched"] == 1


def test_a_turn_ends_it(bench: Rig) -> None:
    bench.emulator("turner 1 0")
    bench.another(turning_height=45e-3, shunt=47.0, largest_current=55e-3)
    bench.home()
    source = bench.lift.current_source
    assert source is not None
    source.set_current(-1)
    turning = bench.begin_turn()
    assert off(bench)
    assert why(bench) == "the lift moved"
    assert turning.end() is None
    source.set_current(1)
    assert bench.emulator.state["switched"] == 2


@pytest.mark.parametrize("stop", [STOP, b"\nM112\n", b"N5 G1 Z10" + STOP + b" F60\n"])
def test_a_halt_ends_it(on: Rig, stop: bytes) -> None:
    on.raw(stop)
    wait_for(lambda: off(on))
    assert why(on) == "the lift was halted"
    with pytest.raises(DeviceError, match="halted"):
        on.lift.current_source.set_current(1)
    assert on.emulator.state["switched"] == 1


def test_a_silent_host_ends_it(on: Rig) -> None:
    on.emulator("speed 1")  # at most: the driver's clock is the faster one
    on.say("M113 S1500")
    pause(on, 3)
    assert not off(on)  # the driver keeps talking
    on.emulator("lost-bytes 1 0")
    start = on.emulator.state["seconds"]
    wait_for(lambda: off(on))
    assert on.emulator.state["seconds"] - start < 2
    on.emulator("lost-bytes 0 0")
    assert why(on) == "the host was silent"


def test_another_host_ends_it(on: Rig) -> None:
    on.another()
    wait_for(lambda: on.lift.state is DeviceState.READY)
    assert off(on)
    assert on.emulator.state["switched"] == 1


@pytest.mark.parametrize("reset", ["brown-out 5", "reset-pin 1600", "hang"])
def test_a_reset_ends_it(on: Rig, reset: str) -> None:
    link = on.lift._link
    start, epoch = on.emulator.state["seconds"], link.epoch
    on.emulator(reset)
    wait_for(lambda: off(on))
    assert on.emulator.state["seconds"] - start < 1  # a hung one is reset by its watchdog
    wait_for(lambda: link.epoch != epoch and bool(link._nonce))
    on.say("M113 S60000")
    with pytest.raises(DeviceRefused, match="interlock"):
        on.say("M3 S100")  # the limit is forgotten
    assert on.emulator.state["switched"] == 1


# ---- lines ----


class Wire:
    """The port without a driver, telemetry off: a line said, a line heard."""

    def __init__(self, port: str) -> None:
        self.fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.fd)
        self.rest = b""
        while select.select([self.fd], [], [], 0.5)[0]:  # what was said before
            os.read(self.fd, 4096)

    def heard(self) -> str:
        """The next line, without its check."""
        end = time.monotonic() + 20
        while b"\n" not in self.rest:
            assert time.monotonic() < end, "no answer"
            if select.select([self.fd], [], [], 0.1)[0]:
                self.rest += os.read(self.fd, 4096)
        line, self.rest = self.rest.split(b"\n", 1)
        return line.rpartition(b"*")[0].decode()

    def say(self, line: bytes) -> str:
        os.write(self.fd, line)
        return self.heard()


def test_damaged_lost_doubled_and_stale_lines_switch_nothing(bench: Rig) -> None:
    bench.say("M155 S0")
    bench.lift.close()
    wire = Wire(bench.emulator.port)
    for number, text in enumerate(("M110 K4711", "M155 S0", "M113 S60000", "M213 I55 R47"), 1):
        assert wire.say(seal(f"N{number} {text}")).startswith(f"ok N{number} K4711")
    good = seal("N5 M3 S100")
    damaged = (
        good[:-3] + b"00\n",
        good.lower(),
        good[:6] + good[7:],
        good[:6] + b"\x01" + good[6:],
        b"M3 S100\n",
    )
    for line in damaged:
        assert wire.say(line).startswith("rs N5 K4711")
    for line in (seal("N4 M3 S100"), seal("N6 M3 S100")):
        assert wire.say(line).endswith("sequence X5")
    assert "er " in wire.say(seal("M3 S100"))
    assert bench.emulator.state["switched"] == 0
    assert wire.say(good) == "ok N5 K4711 J1 Y0"
    for _ in range(3):
        assert wire.say(good) == "ok N5 K4711 dup J1 Y0"
    assert wire.say(seal("N6 M5")) == "ok N6 K4711 J0 Y0"
    assert wire.say(good).endswith("sequence X7")  # from before
    assert bench.emulator.state["switched"] == 1
    assert off(bench)
    assert wire.say(seal("N7 M4 S1")) == "ok N7 K4711 J-1 Y0"
    assert wire.heard() == "cu K4711 J0 Y1"  # said by itself, a second later
    assert off(bench)
    os.close(wire.fd)


def test_a_lost_line_is_said_again_and_switches_once(bench: Rig) -> None:
    bench.say("M155 S0")
    bench.say("M213 I55 R47")
    for fault, line, way in (
        ("flip 9 0", "M3 S50", 1),
        ("lose-byte 0 5", "M4 S50", -1),
        ("flip 0 3", "M5", 0),
    ):
        resent = bench.lift._link.resent
        bench.emulator(fault)
        bench.say(line)
        assert bench.lift._link.resent > resent, fault
        wait_for(lambda way=way: bench.emulator.state["way"] == way)
    assert bench.emulator.state["switched"] == 2
    assert bench.emulator.state["both"] == 0


def test_everything_going_wrong(bench: Rig) -> None:
    """What is told is what flows; never both sides at once, never longer than it was given."""
    assert everything_goes_wrong(bench, times=40, seed=6)["switched"] > 20
