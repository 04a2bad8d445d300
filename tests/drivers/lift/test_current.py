"""The driver of the lift's current source: only what the shunt shows, in this session, is a current."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.serial.serial_peers import Ears, FakeLift, wait_for
from weighloop.drivers.clock import RealClock
from weighloop.drivers.current_source import CurrentLost, CurrentSource
from weighloop.drivers.device import DeviceRefused
from weighloop.drivers.lift.lift import SerialLift

SHUNT, LARGEST, FLOWS = 47.0, 55e-3, 24.6e-3
COIL = 36.0  # ohm


class FakeSource(FakeLift):
    """A far end with a current source as the protocol page has it, which can be made to lie."""

    def __init__(self, folder: Path) -> None:
        self.fitted, self.refuse = True, ""
        self.way = self.why = 0
        self.seconds, self.limit, self.ohm = 0.0, 0.0, 0.0
        self.flows, self.understood = FLOWS, 1
        self.heard_at = 0.0
        super().__init__(folder)

    def _power_on(self) -> None:
        self.way = self.why = 0
        super()._power_on()

    def _tell_telemetry(self) -> None:
        current = self.way * self.flows * 1e3
        self.say(
            f"tm K{self.nonce} T1 {self.where()} A32768 B26214 V160 n100 J{self.way} Y{self.why}"
            f" I{current:.3f} U{current * COIL:.3f}"
        )

    def goes_off(self, why: int, told: bool = True) -> None:
        with self.guard:
            self.way, self.why = 0, why
            if told:
                self.say(f"cu K{self.nonce} J0 Y{why}")

    def _execute(self, number: int, code: str, value: dict[str, float]) -> tuple[str, str]:
        self.heard_at = time.monotonic()
        if code == "M115":
            return "", " lift1 B1 C0" + " source" * self.fitted + " Z49.500"
        if code == "M213":
            self.limit, self.ohm = value["I"], value["R"]
            return ("range" if value["I"] > 60 else ""), ""
        if code in ("M3", "M4", "M5"):
            self.executed.append(code)
            if code != "M5" and self.refuse:
                return self.refuse, ""
            self.way, self.why = {"M3": 1, "M4": -1, "M5": 0}[code], 0
            self.seconds = value.get("S", 0.0)
            return "", f" J{self.way * self.understood} Y0"
        reason, extra = super()._execute(number, code, value)
        self.tele = min(self.tele, 0.05)  # so that no test waits for it
        return reason, extra + (f" J{self.way} Y{self.why}" if code == "M114" else "")


@pytest.fixture
def far(tmp_path: Path) -> Iterator[FakeSource]:
    made = FakeSource(tmp_path)
    yield made
    made.close()


@pytest.fixture
def clock() -> RealClock:
    return RealClock(rate=10)


@pytest.fixture
def lift(far: FakeSource, ears: Ears, clock: RealClock) -> Iterator[SerialLift]:
    made = SerialLift(far.port, ears, clock, travel=49e-3, shunt=SHUNT, largest_current=LARGEST)
    yield made
    made.close()


@pytest.fixture
def source(lift: SerialLift) -> CurrentSource:
    assert lift.current_source is not None
    return lift.current_source


def test_both_ways_and_off(far: FakeSource, source: CurrentSource, clock: RealClock) -> None:
    for direction in (1, -1, -1, 1):
        source.set_current(direction, 120)
        began = clock.now()
        measured = source.measured_current(began)
        assert began <= measured.began < measured.ended
        assert measured.value == pytest.approx(direction * FLOWS, abs=1e-6)
        assert 0 < measured.u < 1e-3 * LARGEST
        assert measured.resistance == pytest.approx(COIL, rel=1e-3)
        assert source.direction == direction
        assert (far.seconds, far.limit, far.ohm) == (120, 55, 47)
    source.set_current(0)
    assert (source.direction, far.way, source.why_off) == (0, 0, "")
    with pytest.raises(CurrentLost, match="off: it was not set"):
        source.measured_current()


def test_a_mean_holds_only_what_came_after(far: FakeSource, source: CurrentSource, clock: RealClock) -> None:
    source.set_current(1)
    source.measured_current(clock.now())
    far.flows = 20e-3
    began = clock.now()
    measured = source.measured_current(began)
    assert measured.value == pytest.approx(20e-3, abs=1e-6)
    whole = source.measured_current()
    assert 20e-3 < whole.value < FLOWS
    assert whole.u > 0.1e-3  # by its scatter


@pytest.mark.parametrize("told", [True, False], ids=["told", "only by telemetry"])
def test_off_by_itself(far: FakeSource, source: CurrentSource, told: bool) -> None:
    source.set_current(1)
    far.goes_off(2, told)
    wait_for(lambda: source.direction == 0)
    assert source.why_off == "it was larger than the limit"
    with pytest.raises(CurrentLost, match="larger than the limit"):
        source.measured_current()
    source.set_current(-1)
    assert source.why_off == ""
    assert source.measured_current().value < 0


def test_a_reset_ends_it(far: FakeSource, source: CurrentSource, lift: SerialLift) -> None:
    source.set_current(1)
    epoch = lift._link.epoch
    far.reset()
    wait_for(lambda: lift._link.epoch != epoch)
    with pytest.raises(CurrentLost, match="reset"):
        source.measured_current()
    wait_for(lambda: source.direction == 0)
    source.set_current(1)  # limit and shunt are told again
    assert (far.limit, far.ohm) == (55, 47)


def test_a_broken_lead_a_swapped_plug_and_a_lie(far: FakeSource, source: CurrentSource) -> None:
    for flows in (0.0, 0.9e-3, -FLOWS):
        far.flows = flows
        with pytest.raises(CurrentLost, match="plug in"):
            source.set_current(1)
        assert far.way == 0
    far.flows, far.understood = FLOWS, -1
    with pytest.raises(CurrentLost, match="understood"):
        source.set_current(1)
    assert far.way == 0


@pytest.mark.parametrize(
    ("reason", "words"),
    [("busy", "only at rest"), ("interlock", "will not"), ("halt", "halted"), ("range", "so long")],
)
def test_a_refusal_says_why(far: FakeSource, source: CurrentSource, reason: str, words: str) -> None:
    far.refuse = reason
    with pytest.raises(DeviceRefused, match=words):
        source.set_current(1)
    assert source.direction == 0


def test_the_host_keeps_talking_while_it_flows(far: FakeSource, source: CurrentSource) -> None:
    source.set_current(1)
    for _ in range(5):
        before = far.heard_at
        wait_for(lambda before=before: far.heard_at > before)
    source.set_current(0)


def test_who_has_none(far: FakeSource, source: CurrentSource, ears: Ears, clock: RealClock) -> None:
    far.fitted = False
    with pytest.raises(DeviceRefused, match="names no current source"):
        source.set_current(1)
    assert "M3" not in far.executed
    with pytest.raises(ValueError, match="none of 1, -1, 0"):
        source.set_current(2)
    with pytest.raises(ValueError, match="shunt"):
        SerialLift(far.port, ears, clock, travel=49e-3, shunt=0.0, largest_current=LARGEST)


def test_a_limit_the_controller_does_not_allow(far: FakeSource, ears: Ears, clock: RealClock) -> None:
    lift = SerialLift(far.port, ears, clock, travel=49e-3, shunt=SHUNT, largest_current=80e-3)
    assert lift.current_source is not None
    with pytest.raises(DeviceRefused, match="largest_current = 80 mA over 47 ohm"):
        lift.current_source.set_current(1)
    lift.close()


def test_closing_the_lift_ends_it(far: FakeSource, source: CurrentSource, lift: SerialLift) -> None:
    source.set_current(1)
    lift.close()
    wait_for(lambda: far.way == 0)
