"""Faults of the balance, each with its defined outcome, on the virtual bench: nights pass in seconds.

What must hold is stated in each test; the rules are the project's own safety rules (a fault that can
still be acted on sends the lift to the far end; a spoilt branch is walked again; no reading is
recorded that is not surely right). No outside source.
"""

import math
from dataclasses import replace

import pytest

from tests.support.bench.lift_runs import finish, one_way_everywhere, started, used
from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.control.pending import Refused
from weighloop.drivers.device import BalanceReading, DeviceState


class TestBalance:
    def test_a_short_silence_is_tolerated(self) -> None:
        bench = started(4)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.SILENT, "nothing heard for 0.4 s")
        bench.advance(5)
        assert bench.run is not None
        assert bench.run.state == "running"
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        finish(bench)
        assert all(point["set_aside"] is None for point in bench.run.points)

    def test_a_long_silence_holds_retreats_and_goes_on_by_itself(self) -> None:
        bench = started(6)
        before = used(bench, 1)
        bench.silent = True
        bench.controller.watch.balance_is(DeviceState.SILENT, "nothing heard for 0.4 s")
        bench.advance(60)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "balance")
        assert bench.height == bench.travel
        assert [alarm["kind"] for alarm in bench.alarms] == ["balance", "held"]
        bench.silent = False
        bench.controller.watch.balance_is(DeviceState.READY, "speaks status-line")
        bench.advance(1)
        assert bench.run.state == "running"
        assert bench.action()["code"] == "remove-sample"  # the zero is read again before anything else
        finish(bench)
        one_way_everywhere(bench)
        aside = [point for point in bench.run.points if point["set_aside"]]
        assert len(aside) == len(before) + 1  # the branch so far and its starting point, kept and marked

    def test_a_pulled_plug_is_believed_at_once(self) -> None:
        bench = started(5)
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.silent = True
        bench.advance(0.5)
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "balance")

    def test_go_on_without_a_balance_is_refused(self) -> None:
        bench = started(5)
        bench.controller.watch.balance_is(DeviceState.LOST, "the port failed")
        bench.silent = True
        bench.advance(30)
        with pytest.raises(Refused, match="the port failed"):
            bench.say("go-on")

    def test_no_old_reading_is_taken_for_a_new_one(self) -> None:
        bench = started(4)
        bench.silent = True
        count = len(bench.run.points)  # type: ignore[union-attr]
        bench.advance(9.5)
        assert len(bench.run.points) <= count + 1  # type: ignore[union-attr]
        bench.advance(200)
        assert len(bench.run.points) <= count + 1  # type: ignore[union-attr]


class TestFlippedBits:
    def test_wild_numbers_all_through_a_run_are_told_and_reach_no_point(self) -> None:
        """Every thirtieth line with a digit of tens of grams flipped: as good a line as any other."""
        calm, shaken = VirtualBench(), VirtualBench()
        given = shaken.devices.take_readings
        count = 0

        def flipped() -> list[BalanceReading]:
            nonlocal count
            readings = []
            for reading in given():
                count += 1
                wild = count % 30 == 0 and reading.value is not None
                readings.append(replace(reading, value=reading.value + 0.08) if wild else reading)
            return readings

        shaken.devices.take_readings = flipped  # type: ignore[method-assign]
        for bench in (calm, shaken):
            bench.start("lift", points=4)
            finish(bench)
        assert calm.run is not None
        assert shaken.run is not None
        assert len(shaken.run.points) == len(calm.run.points)
        for one, other in zip(shaken.run.points, calm.run.points, strict=True):
            assert abs(one["value_kg"] - other["value_kg"]) < 4 * math.hypot(one["u_kg"], other["u_kg"])
        texts = [data["text"] for topic, data in shaken.told if topic == "log"]
        assert any("stood alone" in text for text in texts)
        assert max(shaken.store.raw().value_kg) > 0.07  # the raw readings keep them


class TestRange:
    def test_overload_stops_the_move_and_retreats(self) -> None:
        bench = started(4)
        bench.until(lambda: bench.action()["code"] == "wait-move")
        bench.forced = (None, "overload")
        bench.advance(1.0)
        bench.forced = None
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "over-capacity")
        bench.advance(120)
        assert "stop" in bench.mover.moves
        assert bench.height == bench.travel
        bench.say("go-on")
        finish(bench)
        one_way_everywhere(bench)

    def test_one_damaged_line_is_no_overload(self) -> None:
        bench = started(4)
        bench.forced = (None, "overload")
        bench.advance(0.1)
        bench.forced = None
        bench.advance(1.0)
        assert bench.run is not None
        assert bench.run.state == "running"

    def test_a_hand_on_the_pan_is_no_fault(self) -> None:
        bench = started(0)
        bench.until(lambda: bench.action()["code"] == "remove-sample")
        bench.forced = (None, "overload")
        bench.advance(3.0)
        assert bench.run is not None
        assert bench.run.state == "running"

    def test_the_magnet_lifted_off_the_pan_is_told_by_minus_its_weight(self) -> None:
        bench = started(5)
        bench.until(lambda: bench.action()["code"] == "wait-reading")
        bench.forced = (-0.3, "unsteady")
        bench.advance(1.0)
        bench.forced = None
        assert bench.run is not None
        assert (bench.run.state, bench.run.code) == ("held", "magnet-lifted")
        bench.advance(120)
        assert bench.height == bench.travel
