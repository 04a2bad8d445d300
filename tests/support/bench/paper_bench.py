"""A bench on paper: the procedure's state machine against a lift with a turner that may break at any moment.

No thread, no filter, no store: what the machine wants begins, and somebody else says whether it ends well.
The bench keeps what really happened to the sample (every height and orientation it was brought to), so that
the readings in use can be held against it. Thousands of runs take seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER, attraction
from weighloop.daemon.procedure import events, machine
from weighloop.daemon.procedure.plan import RunPlan, make_plan
from weighloop.daemon.procedure.run import LogEvent, RunRecord, apply, replay

TRAVEL = 49e-3
#: The noise where nothing disturbs, kg.
CALM = 5e-7
#: Below this the field is above the sample's coercivity.
CLOSEST = 0.2e-3


def turner_plan(points: int = 4) -> RunPlan:
    """The plan of a loop with a turner."""
    return make_plan(BENCH_TEXT.format(ladder="lift") + TURNER, points)


@dataclass(frozen=True)
class Place:
    """Where the sample was brought: height (m) and orientation; 0 while it is turned."""

    height: float
    orientation: int


class PaperBench:
    """One run from its start; ``path`` is the sample's true way, ``at`` where on it each reading was."""

    def __init__(self, plan: RunPlan, unattended: bool = True) -> None:
        data = {
            "sample": "WP-07-1",
            "ladder": "lift",
            "bench_text": "",
            "target_u_kg": 2e-6,
            "seconds": plan.seconds,
            "steps": list(plan.steps),
            "limits": plan.limits,
            "turner": True,
            "unattended": unattended,
        } | ({} if plan.programme is None else {"programme": plan.programme.to_json()})
        self.log: list[LogEvent] = []
        self.run = RunRecord(1)
        self.stage = events.BenchState(balance_ok=True)
        self.pending: events.Task | None = None
        self.height, self.angle = 20e-3, 90.0  # nobody homed it yet
        self.noise = CALM  # of the next reading, kg
        self.magnetised = 1  # along its own axis, or against it: the closest gap turns it, as a hard sample
        self.known = False  # whether the lift's controller knows its place and angle
        self.homed_and_up = False
        self.lost = self.losing = 0.0  # steps lost since the last homing and on the next way, m
        self.told: list[int] = []  # readings that were committed
        self.path: list[Place] = []
        self.at: dict[int, int] = {}  # by a reading's id: its place's index in ``path``
        self.wrong: list[str] = []
        self.hands = 0
        self.epoch = 0  # grows with everything after which the balance may show another zero
        self.epochs: dict[int, int] = {}  # by a reading's id
        self._keep("planned", data)
        self._keep("started", {})

    # -- what happens --------------------------------------------------------------------------

    def _keep(self, kind: str, data: dict[str, Any]) -> LogEvent:
        event = LogEvent(len(self.log) + 1, 1, float(len(self.log)), "u", kind, "", data)
        self.log.append(event)
        if kind in ("planned",):
            self.run = apply(self.run, event)
        else:
            self.happen(events.Committed(event))
        return event

    def happen(self, event: events.Event) -> None:
        """Let the machine take an event, and do what it wants."""
        self.run, self.stage, acts = machine.advance(self.run, self.stage, event)
        for act in acts:
            match act:
                case events.Do():
                    self.pending = act.task
                    self.hands += act.task.by_hand
                case events.Record():
                    if act.kind in ("zero", "point"):
                        self._check(act.data["point"])
                    kept = self._keep(act.kind, act.data)
                    if act.kind in ("zero", "point"):
                        self.told.append(kept.id)
                        self.at[kept.id] = len(self.path) - 1
                        self.epochs[kept.id] = self.epoch
                case events.StopMove():
                    self.happen(events.LiftFailed(self.stage.serial, "stopped"))
                case _:
                    pass

    def _check(self, point: dict[str, Any]) -> None:
        """A reading may be recorded only where its step wanted it."""
        here = self.path[-1]
        off = abs(here.height - point["height_m"] - self.lost)
        if off > 5e-6 or here.orientation != point["orientation"]:
            self.wrong.append(f"{point['kind']} {point['height_m']} {point['orientation']:+d} read at {here}")

    # -- the lift ------------------------------------------------------------------------------

    def _goes(self, height: float) -> None:
        self.height = height
        upright = round(self.angle) % 360
        self.path.append(Place(height, {0: 1, 180: -1}.get(upright, 0)))
        if height < CLOSEST:
            self.magnetised = self.path[-1].orientation or self.magnetised

    def ends(self) -> bool:
        """The task under way ends well; False where there is none."""
        task, self.pending = self.pending, None
        if task is None or not task.same_as(self.stage.task) or self.stage.task is None:
            return False
        serial = self.stage.task.serial
        lost: float | None = 0.0
        match task.kind:
            case "establish":
                self._goes(TRAVEL)
                if not self.known:  # found through every angle, and left upright
                    self.angle = 0.0
                    self._goes(TRAVEL)
                lost, self.lost = self.lost if self.known else None, 0.0
                self.known = self.homed_and_up = True
            case "retreat":
                self._goes(TRAVEL + self.lost)
            case "approach":
                assert task.height is not None
                self.homed_and_up = False
                self.lost, self.losing = self.lost + self.losing, 0.0
                self._goes(task.height + self.lost)
            case "turn":
                assert task.step is not None
                if not (self.homed_and_up and self.known and self.height >= 45e-3):
                    self.wrong.append(f"turned at {self.height}, homed: {self.homed_and_up}")
                self.angle = 0.0 if task.step["orientation"] > 0 else 180.0
                self._goes(self.height)
            case "read":
                self._read(serial)
                return True
            case _:
                return False
        way = {0: 1, 180: -1}.get(round(self.angle))
        place = TRAVEL if task.height is None else task.height
        self.happen(events.Stands(serial, place, task.kind != "approach", lost, way))
        return True

    def _read(self, serial: int) -> None:
        reading = {
            "value_kg": -self.magnetised * self.path[-1].orientation * attraction(self.path[-1].height),
            "u_kg": 1e-6,
            "drift_kg_per_s": 0.0,
            "time_s": float(len(self.log)),
            "utc": "u",
            "settled_in_s": 3.0,
            "temperature_K": 294.0,
            "noise_kg": self.noise,
        }
        self.noise = CALM
        self.happen(events.Accepted(serial, reading))

    # -- what goes wrong -----------------------------------------------------------------------

    def breaks(self, how: str, share: float = 0.5) -> None:
        """Something goes wrong, the task under way being done to this share."""
        task = self.stage.task
        if task is not None and task.driven and how in ("power", "reset", "lift plug"):
            self._partly(task, share)
        match how:
            case "power":
                self.known = self.homed_and_up = False
                self.pending = None
                self.epoch += 1
                run = replay(1, self.log)
                self.run, self.stage = run, machine.resumed(run, "the power was cut")
                if run.state == "running":
                    self.stage = replace(self.stage, unrecorded=1)
                    self._keep("held", {"why": "the power was cut", "code": "restart"})
                self.happen(events.BalanceBack())
            case "reset":
                self.known = self.homed_and_up = False
                self.pending = None if task is not None and task.driven else self.pending
                serial = self.stage.serial
                self.happen(events.LiftVoid("the lift was reset", "reset"))
                if task is not None and task.driven:
                    self.happen(events.LiftFailed(serial, "the lift was reset"))
            case "lift plug":
                self.known = self.homed_and_up = False
                self.pending = None if task is not None and task.driven else self.pending
                self.happen(events.LiftVoid("no such port", "gone"))
                if task is not None and task.driven and task.same_as(self.stage.task):
                    self.happen(events.LiftFailed(self.stage.serial, "no such port"))
                self.happen(events.LiftBack())
            case "balance plug" | "draught at its plug":
                self.noise = 1.3e-4 if how == "draught at its plug" else CALM
                self.happen(events.BalanceGone("the port failed"))
                self.epoch += 1
                while self.ends():
                    pass
                self.happen(events.BalanceBack())
            case "noise":
                if self.stage.task is not None and self.stage.task.kind == "read":
                    self.happen(events.NotSettled(self.stage.serial, "too noisy", None))
                    self.happen(events.TryAgain())
            case "knock":
                if self.stage.task is not None and self.stage.task.kind == "read":
                    self.happen(events.NotBelieved(self.stage.serial, "moved-alone", "a step", None))
                    self.happen(events.TryAgain())
            case "disk":
                self.happen(events.Trouble("disk", "the disk is full"))
                while self.ends():
                    pass
                self.happen(events.TroubleOver("disk"))
            case "lost steps":
                self.losing = -0.04e-3
            case _:
                raise ValueError(how)

    def _partly(self, task: events.Task, share: float) -> None:
        """The motion stops on its way."""
        if task.kind == "turn":
            self.angle = (self.angle + 180 * share) % 360
            self._goes(self.height)
            return
        to = TRAVEL if task.height is None else task.height
        if task.kind == "approach":
            self.homed_and_up = False
        self._goes(self.height + share * (to - self.height))

    # -- what must hold ------------------------------------------------------------------------

    def zeros_hold(self) -> list[str]:
        """Readings in use without a zero of their own time: one before, or at the far end one soon after."""
        faults = []
        far = max(s["height_m"] or 0.0 for s in self.run.plan)
        for point in self.run.points:
            before = [zero for zero in self.run.zeros if zero.id <= point["id"]][-1:]
            known = self.run.zeros if point["height_m"] == far else before
            times = {self.epochs[zero.id] for zero in known}
            used = point["set_aside"] is None and point["leg"] <= 4
            if used and self.epochs[point["id"]] not in times:
                faults.append(f"reading {point['id']} of leg {point['leg']} goes by {before}")
        return faults

    def one_way(self) -> list[str]:
        """Readings in use on a leg whose way from one to the next was not one way, or through another."""
        faults = []
        strongest = min(s["height_m"] for s in self.run.plan if s["height_m"] is not None)
        used = [p for p in self.run.points if p["set_aside"] is None and p["kind"] == "point"]
        restarts = [event.id for event in self.log if event.kind == "restarted"]
        for before, after, then in zip(used, used[1:], [*used[2:], None], strict=False):
            a, b = before["height_m"] or 0.0, after["height_m"] or 0.0
            same = before["leg"] == after["leg"] and before["orientation"] == after["orientation"]
            again = a == b == TRAVEL  # half of a pair that was not read to its end
            begun_again = any(before["id"] < number < after["id"] for number in restarts) and b == TRAVEL
            if begun_again and then is not None and then["height_m"] in (TRAVEL, strongest):
                continue  # the zero before a branch that is begun again
            if not same or again or (b == strongest and a != b):
                continue  # into the strongest field, from which a branch begins again, any way is good
            low, high = min(a, b) - 6e-5, max(a, b) + 6e-5  # lost steps are told by the next homing
            way = self.path[self.at[before["id"]] : self.at[after["id"]] + 1]
            low, high = min(a, b) - 1e-5, max(a, b) + 1e-5
            if any(not low <= place.height <= high or place.orientation == 0 for place in way):
                faults.append(f"leg {before['leg']}: {a} to {b} by {way}")
        return faults
