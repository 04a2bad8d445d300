"""Nights on the twin: its physics, balance, lift and turner, and the real controller, store and procedure, on
one clock turned by hand. Days pass in minutes, power cuts included.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.support.bench.lift_by_hand import LiftByHand
from tests.support.bench.stand_ins import LogWriter
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.daemon.control.controller import RunController
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.plan import make_plan
from weighloop.daemon.procedure.run import RunRecord, Series
from weighloop.daemon.store.store import Store
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.balance.framing import LineStream, Reading
from weighloop.drivers.device import BalanceReading, DeviceState
from weighloop.drivers.twin.bench import TwinBench

#: The balance is silent after so long without a sensible line, s.
SILENT = 1.0


class TwinClock:
    """The twin's own time."""

    rate = 1.0

    def __init__(self, twin: TwinBench) -> None:
        self.twin = twin

    def now(self) -> float:
        return self.twin.now

    def sleep(self, seconds: float) -> None:
        raise AssertionError("nothing waits here")


class TwinDevices:
    """What the controller needs of ``devices.BenchDevices``."""

    setter = balance = None
    identified = True

    def __init__(self) -> None:
        self.readings: list[BalanceReading] = []
        self.balance_delay: float | None = None
        self.telemetry: dict[str, float] = {}

    def open(self, bench: Any) -> None:
        pass

    def take_readings(self) -> list[BalanceReading]:
        taken, self.readings = self.readings, []
        return taken

    def measured(self) -> dict[str, float | None]:
        return {n: self.telemetry.get(n) for n in ("temperature_K", "hall_V", "vibration_V")}

    def balance_device(self) -> None:
        return None

    def lift_device(self) -> None:
        return None

    def close(self) -> None:
        pass


@dataclass(frozen=True)
class Truth:
    """How things really were as a reading was committed. m, kg."""

    height: float
    orientation: int
    aspect: float
    value: float
    during: str


class TwinNight:
    """A bench that nobody attends."""

    def __init__(self, store: Path, seed: int = 1, turn: float = 0.2) -> None:
        self.path, self.turn_every = store, turn
        self.twin = TwinBench(seed, turner=True)
        self.bench_text = self.twin.stated(seed)["text"]
        self.dialect = load_dialect("status-line")
        self.truths: dict[int, Truth] = {}
        self.told: dict[int, Any] = {}
        self.asked: list[str] = []  # what a person was asked for, the run going on for nobody else
        self.fault = ""  # what is made to go wrong just now
        self.alarms: list[dict[str, Any]] = []
        self.balance_in = self.lift_in = True  # the plugs
        self._start()

    # -- a daemon's life -----------------------------------------------------------------------

    def _start(self) -> None:
        self.store = Store(self.path)
        self.store.begin_session("boot", "test", "2026-01-01T00:00:00Z", self.twin.now)
        self.stream = LineStream(self.dialect)
        self.devices = TwinDevices()
        self.clock = TwinClock(self.twin)
        self.mover = LiftByHand(
            lambda data: self.twin.write("lift", data) if self.lift_in else None,
            lambda: self.twin.now,
            lambda event: self.controller.happen(event),
            lambda state, why: self.controller.watch.lift_is(state, why),
            49e-3,
        )
        self.log_writer = LogWriter(self.store)
        self.controller = RunController(
            self.log_writer,  # pyright: ignore[reportArgumentType]
            self.clock,
            self._heard_of,
            alarm=self.alarms.append,
            devices=self.devices,  # pyright: ignore[reportArgumentType]
            mover=self.mover,
            first_run=len(self.store.runs()) + 1,
        )
        self._state, self._sensible = DeviceState.OPENING, self.twin.now
        lines = self.store.runs()
        planned = [self.store.record(line["id"]) for line in lines if line["state"] == "planned"]
        self.controller.queue.waiting = planned
        begun = [line["id"] for line in lines if line["state"] != "planned"]
        if begun:
            last = self.store.record(begun[-1])
            if last.state in ("running", "held"):
                self.controller.resume(last, "the power was cut")
                self.controller.use_bench(parse_bench(last.bench_text), last.target_u_kg)
            else:
                self.controller.run = last
        self.mover.state(DeviceState.READY, "answers")

    def power_cut(self, seconds: float) -> None:
        """Daemon, lift and balance are off at once, and back; the balance takes its load for zero."""
        self.store.close()
        self.twin.lift.reset(cause=1)
        self.twin.advance(seconds)
        self.twin.balance.press_zero()
        self._start()

    def _heard_of(self, topic: str, data: Any) -> None:
        if topic == "point" and data["id"] not in self.told:
            self.told[data["id"]] = data
            twin = self.twin
            shown = twin.load + twin.disturbances.drift.value - twin.balance.zero
            self.truths[data["id"]] = Truth(
                twin.lift.stage.height, twin.orientation, twin.aspect, shown * 1e-3, self.fault
            )

    # -- time ----------------------------------------------------------------------------------

    def advance(self, seconds: float) -> None:
        """Let time pass, the controller turning with it."""
        end = self.twin.now + seconds
        while self.twin.now < end - 1e-9:
            heard = b""
            for line in self.twin.advance(self.turn_every):
                if line.port == "lift":
                    if self.lift_in:
                        self.mover.hear(line.data)
                elif self.balance_in:
                    self._hear(line.time, line.data)
                    heard += line.data
            self._watch()
            self.devices.telemetry = self.mover.telemetry
            self.mover.turn()
            self.controller.step()
            action = self.controller.action()
            running = self.run is not None and self.run.state == "running"
            if running and action is not None and action["needs_confirm"]:
                self.asked.append(action["text"])

    def _hear(self, time: float, data: bytes) -> None:
        for item in self.stream.feed(data):
            if isinstance(item, Reading):
                self._sensible = time
                self.devices.readings.append(BalanceReading(time, item.value, item.mark, item.raw))

    def _watch(self) -> None:
        quiet = self.twin.now - self._sensible > SILENT
        state = DeviceState.SILENT if quiet else DeviceState.READY
        if not self.balance_in:
            state = DeviceState.LOST
        if state is not self._state:
            self._state = state
            self.controller.watch.balance_is(state, "the port failed" if not self.balance_in else state.value)

    def unplug_lift(self) -> None:
        self.lift_in = False
        self.mover._lost("the port failed")
        self.mover.nonce = 0
        self.controller.watch.lift_is(DeviceState.ABSENT, "no such port")

    def plug_lift(self) -> None:
        """The controller lives on its port's supply."""
        self.lift_in = True
        self.twin.lift.reset(cause=1)

    # -- runs ----------------------------------------------------------------------------------

    @property
    def run(self) -> RunRecord | None:
        return self.controller.run

    def plan(self, points: int, loops: int) -> None:
        """``loops`` loops, one after the other."""
        plan = make_plan(self.bench_text, points)
        new = RunRequest(plan, self.bench_text, "test", unattended=True)
        new = replace(new, series=Series(self.controller.queue.upcoming))
        for _ in range(loops):
            self.controller.add_run(new)

    def say(self, what: Any) -> None:
        self.controller.ask(events.Asked(what))
