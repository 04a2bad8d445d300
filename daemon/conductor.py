"""One thread that lets the procedure meet the bench: readings and words in, moves and records out.

Everything that happens is put into one inbox and taken out in order, so nothing here needs a lock.
Only ``turn`` does work; the thread calls it again and again, a test may call it by hand.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Protocol

from ..drivers.clock import Clock
from ..drivers.device import DeviceState
from . import procedure as p
from .acquisition import PATIENCE, Acquisition, Limits
from .devices import Devices
from .gap_mover import GapMover
from .health import Repeats
from .protocol import LogLine, Snapshot, Topic
from .raw_blocks import Raw
from .recorder import Recorder, utc_now
from .run_state import ENDED, LogEvent, RunRecord, to_protocol

if TYPE_CHECKING:
    from ..analysis.bench import Bench
    from .run_plan import RunPlan

log = logging.getLogger(__name__)

#: Silence of the balance that is borne before the run is held, s by the clock.
SILENCE_BORNE = 10.0
#: A run held because a reading did not settle tries again after this time, s by the clock.
TRY_AGAIN = 600.0
#: Events of the log that a new client is shown.
LOG_SHOWN = 50
#: Target of the standard uncertainty where none is given, in digits of the balance.
TARGET_DIGITS = 2.0
#: Live readings told at most so often, s of the machine's time.
LIVE_EVERY = 0.1


class Refused(Exception):
    """What was asked for is not possible now; the message says why."""


class Mover(Protocol):
    """Does the gap setter's blocking calls somewhere and answers with an event."""

    def begin(self, task: p.Task) -> None: ...

    def said(self, task: p.Task) -> None: ...

    def stop(self) -> None: ...


class Conductor:
    """Owns the present run, its stage, the acquisition and the devices.

    ``publish(topic, data)`` is called from this thread after what it tells of was committed.
    """

    def __init__(
        self,
        recorder: Recorder,
        clock: Clock,
        publish: Callable[[Topic, Any], None],
        *,
        alarm: Callable[[dict[str, Any]], None] = lambda event: None,
        first_run: int = 1,
        devices: Devices | None = None,
        mover: Mover | None = None,
    ) -> None:
        self.recorder, self.clock, self.publish, self.alarm = recorder, clock, publish, alarm
        self.rate = getattr(clock, "rate", 1.0)
        self.inbox: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        hands = GapMover(lambda: self.devices.setter, self.happen) if mover is None else None
        self.mover: Mover = hands or mover  # pyright: ignore[reportAttributeAccessIssue]
        asked = hands.asked if hands is not None else lambda count: None
        self.devices = devices or Devices(clock, self._balance_state, self._lift_state, self._refused, asked)
        self.acquisition: Acquisition | None = None
        self.run: RunRecord | None = None
        self.stage = p.Stage()
        self.planned: list[RunRecord] = []
        self.controller: str | None = None
        self.bench_text = ""  # of the bench file named at the start
        self.watched = False  # somebody looks at the live reading
        self.log: list[LogLine] = []
        self.last_turn = time.monotonic()
        self._next_run = first_run
        self._asked_for = 0  # the run a person asked for last
        self._repeats = Repeats()
        self._waiting: list[tuple[Future[Any], Any]] = []
        self._wake = threading.Event()
        self._ending = False
        self._silent_since: float | None = None
        self._balance_gone = False
        self._read_began = 0.0
        self._held_at: float | None = None
        self._armed = False
        self._told_run: Any = None
        self._told_live = 0.0
        self._told_devices = 0.0
        self._live_new = False
        self._view: Snapshot | None = None
        self._thread = threading.Thread(target=self._work, name="conductor", daemon=True)

    # -- the outside, from any thread ----------------------------------------------------------

    def start(self) -> None:
        """Begin turning."""
        self._thread.start()

    def post(self, what: Callable[[], None]) -> None:
        """Have something done by the conductor's thread."""
        self.inbox.put(what)
        self._wake.set()

    def happen(self, event: p.Event) -> None:
        """Let an event be taken in turn."""
        self.post(lambda: self._happen(event))

    def ask(self, asked: p.Asked) -> Future[Any]:
        """A person's word. The future ends when it is committed, or with Refused."""
        future: Future[Any] = Future()
        self.post(lambda: self._person(asked, future))
        return future

    def call(self, what: Callable[[], Any]) -> Future[Any]:
        """Run something in the conductor's thread; the future has its result."""
        future: Future[Any] = Future()

        def work() -> None:
            try:
                future.set_result(what())
            except Exception as error:
                future.set_exception(error)

        self.post(work)
        return future

    def close(self) -> None:
        """End the thread and let go of the devices."""
        self._ending = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(10)
        self.devices.close()

    # -- the loop ------------------------------------------------------------------------------

    def _work(self) -> None:
        pause = min(0.02, max(0.004, 0.2 / self.rate))
        while not self._ending:
            self._wake.wait(pause)
            self._wake.clear()
            try:
                self.turn()
            except Exception:
                # A fault of the program itself: said, and the run held rather than left to chance.
                log.exception("the conductor stumbled")
                self._happen(p.Fault("program", "a fault in the program; see the log"))
            self.last_turn = time.monotonic()

    def turn(self) -> None:
        """Take in all that came, see to the times, tell what is new."""
        while True:
            try:
                work = self.inbox.get_nowait()
            except queue.Empty:
                break
            work()
        self._hear()
        self._look_at_times()
        self._answer_waiting()
        self._tell()

    # -- readings ------------------------------------------------------------------------------

    def _hear(self) -> None:
        readings = self.devices.take_readings()
        if not readings:
            return
        run = self.run.id if self.run is not None and self.run.state not in ENDED else None
        self.recorder.raw(run, [Raw(r.time, r.value, r.mark) for r in readings])
        acquisition = self.acquisition
        if acquisition is None:
            return
        self._live_new = True
        follow = self.watched or self._filter_needed()
        for reading in readings:
            settling = acquisition.feed(reading, follow, self._handling())
            if (bad := acquisition.out_of_range()) is not None:
                self._happen(p.OutOfRange(*bad))
            if settling is None:
                continue
            if settling.event == "level" and settling.value is not None:
                self._happen(p.Level(settling.value))
            self._maybe_accept(acquisition)

    def _filter_needed(self) -> bool:
        """The filter is the dearest part of a reading: it rests while nobody asks anything of it."""
        task = self.stage.task
        if self.run is None or self.run.state != "running" or task is None:
            return False
        return task.kind == "read" or (task.by_hand and self.run.hands_free)

    def _handling(self) -> bool:
        """Whether a person is at work on the bench, as asked."""
        return self.stage.task is not None and self.stage.task.by_hand

    def _maybe_accept(self, acquisition: Acquisition) -> None:
        task = self.stage.task
        if self._armed and task is not None and task.kind == "read" and acquisition.ready:
            reading = acquisition.taken()
            if reading is not None:
                self._armed = False
                reading["temperature_K"] = self.devices.temperature
                self._happen(p.Accepted(task.serial, reading))

    # -- times ---------------------------------------------------------------------------------

    def _look_at_times(self) -> None:
        now = self.clock.now()
        least = self.rate  # no patience is shorter than a second of the machine's time
        balance = self.devices.balance
        silent = 0.0 if self._silent_since is None or balance is None else now - self._silent_since
        if balance is not None and not self._balance_gone and silent > max(SILENCE_BORNE, least):
            self._balance_is_gone(balance.why)
        if self._armed and now - self._read_began > max(PATIENCE, 3 * least):
            self._not_settled(now)
        if self._held_at is not None and now - self._held_at > TRY_AGAIN:
            self._held_at = None
            held = self.run is not None and self.run.state == "held" and self.run.code == "not-settled"
            if held and not self.stage.person_first:
                self._person(p.Asked("go-on"), Future())
        if self.run is None or self.run.state in ENDED:
            self._start_planned()

    def _not_settled(self, now: float) -> None:
        task, acquisition = self.stage.task, self.acquisition
        self._armed = False
        if task is None or task.kind != "read" or acquisition is None:
            return
        acquisition.idle(now)
        why = acquisition.settling.text if acquisition.settling else "no readings"
        text = f"the reading did not settle in {now - self._read_began:.0f} s: {why}"
        # Only noise leaves a level that is known, and how well; a person may want it all the same.
        noisy = acquisition.settling is not None and acquisition.settling.reason == "too noisy for the target"
        reading = acquisition.taken() if noisy else None
        if reading is not None:
            reading["temperature_K"] = self.devices.temperature
        self._happen(p.NotSettled(task.serial, text, reading))

    def _balance_is_gone(self, why: str) -> None:
        self._balance_gone = True
        self.alarm({"kind": "balance", "text": why})
        self._happen(p.BalanceGone(why))

    # -- runs ----------------------------------------------------------------------------------

    def resume(self, run: RunRecord, why: str) -> None:
        """A run found in the store that had not ended; held until a person lets it go on."""
        self.run = run
        self.stage = replace(p.resumed(run, why), balance_ok=self.stage.balance_ok)
        if run.state == "running":
            self._do([p.Record("held", f"Held: {why}", {"why": why, "code": "restart"})])
            self.stage = replace(self.stage, unrecorded=self.stage.unrecorded + 1)

    def use_bench(self, bench: Bench, target: float | None = None) -> None:
        """Open the bench's devices and follow its balance, so that live readings show."""
        self.devices.open(bench)
        if not self.stage.balance_ok:
            self._silent_since, self._balance_gone = self.clock.now(), False
        resolution = bench.balance.resolution
        memory = self.acquisition.filter.memory() if self.acquisition is not None else None
        load = bench.reference_magnet.pan_load
        limits = Limits(bench.balance.capacity, load.value if load is not None else None)
        self.acquisition = Acquisition(resolution, target or TARGET_DIGITS * resolution, limits, memory)

    def add_run(
        self,
        plan: RunPlan,
        bench_text: str,
        target: float | None,
        name: str | None,
        version: str,
        later: str | None,
        hands_free: bool = False,
    ) -> int:
        """Plan a run; it starts as soon as no other is under way and its time has come."""
        number = self._next_run
        self._next_run += 1
        data = {
            "sample": name or plan.bench.sample.name,
            "ladder": plan.bench.gap.ladder,
            "bench_text": bench_text,
            "target_u_kg": target or TARGET_DIGITS * plan.bench.balance.resolution,
            "seconds": plan.seconds,
            "steps": list(plan.steps),
            "limits": plan.limits,
            "version": version,
            "not_before_utc": later,
            "hands_free": hands_free,
        }
        text = f"Planned: {data['sample']}, {len(plan.steps)} steps"
        planned = p.apply(RunRecord(number), LogEvent(0, number, 0.0, utc_now(), "planned", text, data))
        self._benches()[number] = plan.bench
        self._asked_for = number if later is None else self._asked_for
        self.planned.append(planned)
        self._record(number, p.Record("planned", text, data), lambda event: None)
        self._start_planned()
        return number

    def _benches(self) -> dict[int, Bench]:
        if not hasattr(self, "_bench_of"):
            self._bench_of: dict[int, Bench] = {}
        return self._bench_of

    def _start_planned(self) -> None:
        busy = self.run is not None and self.run.state not in ENDED
        due = [r for r in self.planned if r.not_before_utc is None or r.not_before_utc <= utc_now()]
        if busy or not due or self.stage.unrecorded or self.stage.task is not None:
            return
        if self.stage.person_first and not any(run.id == self._asked_for for run in due):
            return  # the lift was stopped: a run in the queue does not move it, a fresh word does
        if self.run is not None and p.next_task(self.run, self.stage) is not None:
            return  # the run before still brings the lift to the far end
        run = due[0]
        self.planned.remove(run)
        bench = self._benches().pop(run.id, None)
        if bench is None:  # planned before this daemon started
            from ..analysis.bench_file import parse_bench

            bench = parse_bench(run.bench_text, f"bench of run {run.id}")
        # Where the lift stands is known from one run to the next only at the far end.
        old = self.stage
        self.run = run
        self.stage = p.Stage(serial=old.serial, balance_ok=old.balance_ok, balance_why=old.balance_why)
        self.use_bench(bench, run.target_u_kg)
        self.stage = replace(self.stage, unrecorded=1)
        self._do([p.Record("started", "Started.", {})])

    # -- the machine ---------------------------------------------------------------------------

    def _happen(self, event: p.Event) -> None:
        if self.run is None:
            if isinstance(event, p.BalanceBack):
                self.stage = replace(self.stage, balance_ok=True, balance_why="")
            elif isinstance(event, p.BalanceGone):
                self.stage = replace(self.stage, balance_ok=False, balance_why=event.why)
            return
        before = self.run.state
        self.run, self.stage, acts = p.advance(self.run, self.stage, event)
        if self.run.state == "held" and before != "held":
            self._held_at = self.clock.now()
            self.alarm({"kind": "held", "run": self.run.id, "code": self.run.code, "text": self.run.why})
        elif self.run.state != "held":
            self._held_at = None
        self._do(acts)

    def _do(self, acts: list[p.Act]) -> None:
        for act in acts:
            match act:
                case p.Do():
                    self._begin(act.task)
                case p.Record():
                    assert self.run is not None
                    self._record(self.run.id, act, lambda event: self.happen(p.Committed(event)))
                case p.StopMove():
                    self.mover.stop()
                case p.Said():
                    self.mover.said(act.task)
                case p.Refuse():
                    log.info("refused: %s", act.text)

    def _begin(self, task: p.Task) -> None:
        if task.kind in ("establish", "retreat", "approach"):
            self.mover.begin(task)
        elif task.kind == "read" and self.acquisition is not None:
            self._read_began = self.clock.now()
            self._armed = True
            zero = self.run.last("zero") if self.run is not None else None
            self.acquisition.zero = zero["value_kg"] if zero is not None else None
            self.acquisition.begin(self._read_began)

    def _record(self, run: int | None, record: p.Record, then: Callable[[LogEvent], None]) -> None:
        key = None
        if record.kind in ("zero", "point"):
            key = f"{run}:{record.data['point']['step']}"  # a step has one reading, whatever happens

        def told(event: LogEvent) -> None:
            then(event)
            self.post(lambda: self._committed(event))

        self.recorder.record(run, self.clock.now(), record.kind, record.text, record.data, key=key, told=told)

    def _committed(self, event: LogEvent) -> None:
        """An event stands in the store: now others may hear of it."""
        line: LogLine = {
            "id": event.id,
            "run": event.run,
            "utc": event.utc,
            "kind": event.kind,
            "text": event.text,
        }
        self.log = [*self.log[-LOG_SHOWN + 1 :], line]
        log.info("%s%s: %s", f"run {event.run} " if event.run is not None else "", event.kind, event.text)
        if event.kind == "finished":
            self.alarm({"kind": "finished", "run": event.run, "text": event.text})
        self.publish("log", line)
        if event.kind in ("zero", "point"):
            self.publish("point", {**event.data["point"], "id": event.id})
        elif event.kind == "set-aside" and self.run is not None and self.run.id == event.run:
            for point in self.run.points:
                if point["id"] == event.data["point"]:
                    self.publish("point", point)

    def note(self, kind: str, text: str, run: int | None = None, data: dict[str, Any] | None = None) -> None:
        """Write a line into the log that changes no run."""
        self._record(run, p.Record(kind, text, data or {}), lambda event: None)

    def edit(self, kind: str, text: str, data: dict[str, Any]) -> None:
        """A person's change to the run that the procedure has no part in: a note, a point set aside."""
        if self.run is None:
            raise Refused("there is no run")
        self._record(
            self.run.id, p.Record(kind, text, data), lambda event: self.post(lambda: self._fold(event))
        )

    def _fold(self, event: LogEvent) -> None:
        if self.run is not None and event.run == self.run.id:
            self.run = p.apply(self.run, event)

    def _person(self, asked: p.Asked, future: Future[Any]) -> None:
        if self.run is None:
            future.set_exception(Refused("there is no run"))
            return
        self.run, self.stage, acts = p.advance(self.run, self.stage, asked)
        refused = [act.text for act in acts if isinstance(act, p.Refuse)]
        self._do(acts)
        if refused:
            future.set_exception(Refused(refused[0]))
        else:
            self._waiting.append((future, time.monotonic() + 10.0))

    def _answer_waiting(self) -> None:
        """A person's word is answered once what it led to is committed."""
        for future, deadline in list(self._waiting):
            if not self.stage.unrecorded and not self.stage.told:
                future.set_result(True)
            elif time.monotonic() > deadline:
                future.set_exception(Refused("heard, but the store cannot be written now; see the status"))
            else:
                continue
            self._waiting.remove((future, deadline))

    # -- what devices say, from their threads --------------------------------------------------

    def _balance_state(self, state: DeviceState, why: str) -> None:
        self.post(lambda: self._balance_is(state, why))

    def _balance_is(self, state: DeviceState, why: str) -> None:
        for text in self._repeats.say("balance", f"{state.value}: {why}"):
            self.note("device", f"Balance {text}")
        if state is DeviceState.READY:
            self._silent_since = None
            self._balance_gone = False
            self._happen(p.BalanceBack())
        elif self._silent_since is None:
            self._silent_since = self.clock.now()
        plug_pulled = state in (DeviceState.LOST, DeviceState.ABSENT, DeviceState.FAULT)
        if plug_pulled and self.stage.balance_ok and not self._balance_gone:
            self._balance_is_gone(why)  # it was there: believed at once, without patience
        self._told_devices = 0.0

    def _lift_state(self, state: DeviceState, why: str) -> None:
        self.post(lambda: self._lift_is(state, why))

    def _lift_is(self, state: DeviceState, why: str) -> None:
        for text in self._repeats.say("lift", f"{state.value}: {why}"):
            self.note("device", f"Lift {text}")
        if state is DeviceState.READY:
            self._happen(p.LiftBack())
        elif state in (DeviceState.LOST, DeviceState.FAULT, DeviceState.ABSENT):
            button = "stop button" in why
            kind = {DeviceState.LOST: "reset", DeviceState.ABSENT: "gone"}.get(state, "fault")
            self._happen(p.LiftVoid(why, "button" if button else kind))  # pyright: ignore[reportArgumentType]
        self._told_devices = 0.0

    def _refused(self, raw: bytes, why: str) -> None:
        self.post(lambda: self._line_refused(raw, why))

    def _line_refused(self, raw: bytes, why: str) -> None:
        for text in self._repeats.say("line", f"a line was refused ({why})", example=repr(raw[:60])):
            self.note("refused", f"Balance: {text}")

    # -- telling -------------------------------------------------------------------------------

    def action(self) -> Any:
        """What happens next, in words; None without a run."""
        return None if self.run is None else p.action_of(self.run, self.stage)

    def _tell(self) -> None:
        now = time.monotonic()
        action = self.action()
        mark = (self.run, action)
        if mark != self._told_run:
            self._told_run = mark
            run = None if self.run is None else to_protocol(self.run, action)
            self._view = None
            self.publish("run", run)
        if self._live_new and now - self._told_live >= LIVE_EVERY and self.acquisition is not None:
            self._live_new, self._told_live, self._view = False, now, None
            self.publish("live", self.acquisition.live())
        if now - self._told_devices >= 1.0:
            self._told_devices, self._view = now, None
            both = {"balance": self.devices.balance_device(), "lift": self.devices.lift_device()}
            self.publish("device", both)

    def snapshot(self) -> Snapshot:
        """Everything needed to draw a screen; in the conductor's thread."""
        return {
            "utc": utc_now(),
            "clock_s": self.clock.now(),
            "balance": self.devices.balance_device(),
            "lift": self.devices.lift_device(),
            "live": self.acquisition.live() if self.acquisition is not None else None,
            "run": None if self.run is None else to_protocol(self.run, self.action()),
            "log": self.log,
            "controller": self.controller,
            "bench_text": self.bench_text,
        }
