"""A whole daemon without threads or ports: a clock turned by hand, a balance and a lift that obey.

The controller, the procedure, the filter and the store are the real ones. The far end is a few lines:
a pull that falls off with height, some noise, a lift that takes its time. Nights pass in seconds.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np

from weighloop.daemon.acquisition.level import Acquisition, PanLimits
from weighloop.daemon.control.controller import RunController
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure import events
from weighloop.daemon.procedure.plan import RunPlan
from weighloop.daemon.procedure.run import RunRecord
from weighloop.daemon.store.store import Store
from weighloop.drivers.device import BalanceReading, DeviceState

from ..models.loops import PER_KG
from .stand_ins import Clock, Devices, LogWriter, Mover

BENCH_TEXT = """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.32 T +/- 0.02 T"
pan_load = "300 g"

[sample]
name = "WP-07-1"
shape = "cylinder"
diameter = "6.00 mm +/- 0.02 mm"
height = "3.00 mm +/- 0.02 mm"

[gap]
contact = "1.00 mm +/- 0.05 mm"
ladder = "{ladder}"
spacer = "1.00 mm +/- 0.02 mm"
spacers = 30
spacer_mass = "0.90 g"

[balance]
port = "/dev/ttyVirtual0"
resolution = "1 mg"
capacity = "220 g"

[lift]
port = "/dev/ttyVirtual1"
"""

#: What a bench file says of a turner.
TURNER = 'turner = true\neccentricity = "0 mm +/- 0.05 mm"\n'


#: Gaps (m above the closest) at which the virtual sample follows the field. Farther out it keeps its way.
STRONG = 5e-3


def attraction(height: float) -> float:
    """The virtual sample's pull at a height above the closest position (m) with the field along it, kg.

    A dipole on the axis of the bench's cylinder: the field is that of two discs of charge (textbooks; from
    memory), the pull goes with its gradient; 80 g at the closest.
    """
    return 0.08 * _gradient(height) / _gradient(0.0)


def _gradient(height: float) -> float:
    """Of the field on the axis, per remanence, at the sample's middle, 1/m."""
    near, radius = 1.0e-3 + 1.5e-3 + height, 10e-3
    far = near + 10e-3
    return 0.5 * radius**2 * ((near**2 + radius**2) ** -1.5 - (far**2 + radius**2) ** -1.5)


class VirtualBench:
    """A controller and all that it talks to. A reading, and a turn of its loop, every ``interval`` s."""

    def __init__(
        self, store: Path | str = ":memory:", *, seed: int = 1, interval: float = 0.25, noise: float = 0.4e-6
    ) -> None:
        self.clock = Clock()
        self.rng = np.random.default_rng(seed)
        self.interval, self.noise = interval, noise
        self.travel = 49e-3
        self.height = 20e-3
        self.moving_to: float | None = None
        self.move_serial = 0
        self.move_time = (0.0, 1.0)  # when the move under way began, and how long it takes, s
        self.lift_fails: list[str] = []
        self.lost: float | None = 0.0  # what the next homing will find, m; None: no count was kept
        self.sample_on = True
        self.strength = 1.0  # of the sample: its pull as a part of the usual one
        self.orientation = 1
        self.angle: int | None = None  # what the turner's switch has confirmed
        self.homed_and_up = False  # nothing closed since the homing: it may turn
        self.turns: list[float] = []  # the heights at which the sample was turned
        self.spacers = 0
        self.spacer_mass = 0.9e-3
        self.offset = 0.0  # what the balance shows with nothing on it, kg
        self.magnetised = 1  # which way along its own axis: the strongest fields turn it
        self.on_pan = True  # whether the spacers not under the sample lie under the magnet
        #: A coil's attraction by current (N/A) at a height (m) with an end (+1 or -1) down; its current (A).
        self.coil: Callable[[float, int], float] | None = None
        self.current = 0.0
        self.pressed = 0.0  # what a finger, or a hand that takes the magnet away, adds, kg
        self.silent = False
        self.forced: tuple[float | None, str | None] | None = None
        self.path: list[float] = []
        self.told: list[tuple[str, Any]] = []
        self.alarms: list[dict[str, Any]] = []
        self._later: list[tuple[float, int, Callable[[], None]]] = []
        self._number = 0
        self._next_reading = 0.0
        self.store = Store(store)
        self.store.begin_session("boot", "test", "2026-01-01T00:00:00Z", 0.0)
        self.log_writer = LogWriter(self.store)
        self.devices = Devices(self)
        self.controller = RunController(
            self.log_writer,  # pyright: ignore[reportArgumentType]
            self.clock,
            self._told,
            alarm=self.alarms.append,
            devices=self.devices,  # pyright: ignore[reportArgumentType]
            mover=(mover := Mover(self)),
            first_run=len(self.store.runs()) + 1,
        )
        self.mover = mover
        self.controller.acquisition = Acquisition(
            1e-6, 2e-6, PanLimits(0.22, 0.3), alone=self.controller.watch.reading_alone
        )
        self.controller.watch.balance_is(DeviceState.READY, "speaks status-line")

    def _told(self, topic: str, data: Any) -> None:
        if topic in ("point", "log"):
            self.told.append((topic, data))

    # -- time ----------------------------------------------------------------------------------

    def later(self, seconds: float, what: Callable[[], None]) -> None:
        self._number += 1
        heapq.heappush(self._later, (self.clock.time + seconds, self._number, what))

    def pull(self) -> float:
        """What the balance shows, kg, but for noise."""
        shown = self.offset + self.pressed
        if not self.sample_on:
            return shown
        gap = self.place if self.run is None or self.run.ladder == "lift" else self.spacers * 1e-3
        if self.coil is not None:
            # Turned over, the coil is driven the other way round.
            return shown - self.orientation * self.current * self.coil(gap, self.orientation) / PER_KG
        if gap < STRONG:
            self.magnetised = self.orientation
        return shown - self.orientation * self.magnetised * self.strength * attraction(gap)

    def move_begins(self, kind: str, target: float) -> None:
        """The lift sets out."""

    @property
    def place(self) -> float:
        """Where the lift is now, m: on its way while it moves."""
        if self.moving_to is None:
            return self.height
        began, seconds = self.move_time
        share = min(max((self.clock.time - began) / seconds, 0.0), 1.0)
        return self.height + share * (self.moving_to - self.height)

    def advance(self, seconds: float, step: float | None = None) -> None:
        """Let time pass, in steps of ``step`` s (``interval``), each with the readings due and one turn."""
        end, step = self.clock.time + seconds, step or self.interval
        while self.clock.time < end - 1e-9:
            self.clock.time = min(end, self.clock.time + step)
            while self._later and self._later[0][0] <= self.clock.time + 1e-9:
                heapq.heappop(self._later)[2]()
            self._speak()
            self.controller.step()

    def _speak(self) -> None:
        now = self.clock.time
        if self.silent:
            self._next_reading = now
            return
        count = int((now - self._next_reading) / self.interval) + 1
        if count <= 0:
            return
        times = self._next_reading + self.interval * np.arange(count)
        level = self.pull()
        values = np.round((level + self.rng.normal(0.0, self.noise, count)) / 1e-6) * 1e-6
        self._next_reading = float(times[-1]) + self.interval
        self.devices.balance.last_heard = now
        self.devices.balance.lines += count
        for t, v in zip(times.tolist(), values.tolist(), strict=True):
            value, mark = (v, "steady") if self.forced is None else self.forced
            self.devices.readings.extend(self.line(BalanceReading(t, value, mark, b"")))

    def line(self, reading: BalanceReading) -> list[BalanceReading]:
        """What of a reading comes out at the line's other end now; an honest line's all."""
        return [reading]

    def until(self, what: Callable[[], bool], seconds: float = 3600.0) -> None:
        """Let time pass until something is so; the test fails when it never is."""
        end = self.clock.time + seconds
        while not what():
            assert self.clock.time < end, (
                f"not within {seconds} s: {self.run and self.run.why}, {self.action()}"
            )
            self.advance(self.interval)

    def found(self, kind: str) -> int | None:
        """The turner's angle after a move: a homing finds it, through every angle, and leaves it upright."""
        if kind == "establish":
            self.angle, self.homed_and_up = self.angle or 1, True
        elif kind == "approach":
            self.homed_and_up = False
        self.orientation = self.angle or self.orientation
        return self.angle

    def turn(self, task: events.Task) -> None:
        """The sample turned over at the far end, in five seconds; refused below it."""
        assert self.homed_and_up, "to be turned without a homing after a passage"
        assert task.step is not None
        self.turns.append(self.place)
        way, self.move_serial, self.angle = task.step["orientation"], task.serial, None
        self.moving_to = self.height
        self.move_time = (self.clock.now(), 5.0)

        def arrive() -> None:
            if self.moving_to is not None and self.move_serial == task.serial:
                self.moving_to, self.angle, self.orientation = None, way, way
                self.controller.happen(events.Stands(task.serial, self.height, True, 0.0, way))

        self.later(5.0, arrive)

    def break_move(self, why: str) -> None:
        """The move under way ends where it is, and the lift's driver says so."""
        if self.moving_to is not None:
            serial, self.moving_to = self.move_serial, None
            self.later(0.0, lambda: self.controller.happen(events.LiftFailed(serial, why)))

    # -- the run -------------------------------------------------------------------------------

    @property
    def run(self) -> RunRecord | None:
        return self.controller.run

    def action(self) -> Any:
        return self.controller.action()

    def start(
        self,
        ladder: str = "lift",
        points: int = 4,
        *,
        turner: bool = False,
        zeros: Any = None,
        **more: Any,
    ) -> int:
        """Plan with the real planner and start."""
        from weighloop.daemon.procedure.plan import make_plan

        text = BENCH_TEXT.format(ladder=ladder) + (TURNER if turner else "")
        return self.begin(make_plan(text, points, zeros=zeros), text, **more)

    def start_coil(self, text: str, heights: int, ends: int = 2, current: float | None = None) -> int:
        """The weighing of a coil, planned by the real planner, on the bench of ``text``."""
        from weighloop.daemon.procedure.plan import coil_plan

        return self.begin(coil_plan(text, heights, current, ends), text)

    def begin(self, plan: RunPlan, text: str, **more: Any) -> int:
        """Start a run."""
        keep = self.controller.acquisition
        number = self.controller.add_run(RunRequest(plan, text, "test", **more))
        assert keep is not None
        self.controller.step()
        return number

    def person(self, choice: str | None = None) -> bool:
        """Do what is asked for and say so; False when nothing is."""
        action = self.action()
        if action is None or not action["needs_confirm"]:
            return False
        self.hands(action)
        self.say("confirm", choice or (action["choices"][0] if action["choices"] else None))
        return True

    def hands(self, action: Any) -> None:
        """Only the hands, not the word."""
        match action["code"]:
            case "remove-sample":
                self.sample_on = False
            case "place-sample":
                if action.get("sets_spacers"):
                    self.set_spacers(action["spacers"])
                self.sample_on, self.orientation = True, action["orientation"]
            case "turn-over":
                self.orientation = action["orientation"]
            case "set-current":
                self.current = action["current_A"]
            case "set-spacers":
                self.set_spacers(action["spacers"])

    def set_spacers(self, count: int) -> None:
        """This many between the closest position and now; the others lie on the pan, or apart."""
        if self.on_pan:
            self.offset += (self.spacers - count) * self.spacer_mass
        self.spacers = count

    def tap(self, times: int = 2) -> None:
        """Taps on the pan."""
        self.advance(1.5)
        for _ in range(times):
            self.pressed = 0.03
            self.advance(0.5)
            self.pressed = 0.0
            self.advance(0.7)
        self.advance(1.0)

    def say(self, what: Any, text: str | None = None, code: str | None = None) -> Any:
        """A person's word, answered; raises Refused."""
        future: Future[Any] = self.controller.ask(events.Asked(what, text, code))
        self.controller.step()
        self.controller.step()
        return future.result(0)

    def operate(self, seconds: float = 7200.0, stop: Callable[[], bool] = lambda: False) -> None:
        """Be the person until the run has ended (or ``stop`` is so)."""
        end = self.clock.time + seconds
        while not stop() and (self.run is None or self.run.state in ("planned", "running")):
            assert self.clock.time < end, f"the run did not end: {self.action()}"
            self.person()
            self.advance(0.5)
