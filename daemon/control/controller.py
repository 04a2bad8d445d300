"""One thread that lets the procedure meet the bench: readings and words in, moves and records out.

Everything that happens is put into its inbox and taken out in order.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ...drivers.clock import Clock
from ...drivers.device import BalanceReading, DeviceState
from ..acquisition.answers import Answers
from ..acquisition.bench_noise import BenchNoise
from ..acquisition.hands_free import HandsFreeInput
from ..acquisition.level import Acquisition, PanLimits
from ..acquisition.settings import PATIENCE
from ..procedure import events, machine
from ..procedure.manual_steps import least_change as least_by_hand
from ..procedure.next_task import action_of, next_task
from ..procedure.prediction import expected_reading
from ..procedure.run import ENDED, LogEvent, RunRecord, apply, due
from ..procedure.unattended import patience
from ..protocol import Snapshot, StoreIdentity, Topic
from ..store.raw_blocks import Raw
from ..store.writer import LogWriter
from .device_monitor import DeviceMonitor
from .devices import BenchDevices
from .entries import EntriesOnTheWay
from .gap_worker import GapWorker, Mover
from .pending import PendingReplies, Refused
from .planner import Planner
from .publisher import Publisher
from .queue import RunQueue, RunRequest
from .settings import NEWEST, TARGET_DIGITS
from .verdict import not_settled, verdict_on
from .worker_thread import Worker

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench

log = logging.getLogger(__name__)


class RunController(Worker):
    """Owns the present run, its stage, the acquisition and the devices.

    ``publish(topic, data)`` is called from this thread after what it tells of was committed.
    """

    def __init__(
        self,
        log_writer: LogWriter,
        clock: Clock,
        publish: Callable[[Topic, Any], None],
        *,
        alarm: Callable[[dict[str, Any]], None] = lambda event: None,
        first_run: int = 1,
        devices: BenchDevices | None = None,
        mover: Mover | None = None,
        identity: StoreIdentity | None = None,
    ) -> None:
        self.rate = clock.rate
        self._asked = False  # a question stands open
        super().__init__("controller", pause=min(0.02, max(0.004, 0.2 / self.rate)))
        self.log_writer, self.clock, self.alarm = log_writer, clock, alarm
        self.mover: Mover = mover or GapWorker(lambda: self.devices.setter, self.happen)
        self.devices = devices or BenchDevices(
            clock, self._balance_state, self._lift_state, self._refused, self.mover.asked
        )
        self.acquisition: Acquisition | None = None
        self.noise = BenchNoise(self.note)
        self.run: RunRecord | None = None
        self.stage = events.BenchState()
        self.queue = RunQueue(first_run, clock.rate)
        self.publisher = Publisher(publish, self.devices)
        self.publisher.identity = identity or self.publisher.identity
        self.watch = DeviceMonitor(clock, self._dispatch, self.note, alarm)
        self.watched = False  # somebody looks at the live reading
        self._pending = PendingReplies()
        self._entries = EntriesOnTheWay(log_writer, clock, self.post, self._committed, self._refused_by_store)
        self._read_began = 0.0
        self._held_at: float | None = None
        self._armed = self._live_new = False
        self.hands_free = HandsFreeInput()
        self.answers = Answers(1e-6, self.rate)
        self.planner = Planner(lambda run, new: self.post(lambda: self.edit(*new, run)))

    # -- the outside, from any thread ----------------------------------------------------------

    def happen(self, event: events.Event) -> None:
        """Let an event be taken in turn."""
        self.post(lambda: self._dispatch(event))

    def ask(self, asked: events.Asked) -> Future[Any]:
        """A person's word. The future ends when it is committed, or with Refused."""
        future: Future[Any] = Future()
        self.post(lambda: self._person(asked, future))
        return future

    def committed(self) -> Future[Any]:
        """Ends when all that was handed to the writer by now is committed, or with Refused."""
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        self._pending.add(future, self._entries.ready())
        return future

    def close(self) -> None:
        """End the thread and release the devices."""
        super().close()
        self.planner.close()
        self.devices.close()

    # -- the loop ------------------------------------------------------------------------------

    def step(self) -> None:
        """Take in all that came, see to the times, tell what is new."""
        self.take_in()
        self._hear()
        self._look_at_times()
        self._pending.resolve(self.stage)
        if self.publisher.publish_changes(self.run, self.stage, self.acquisition, self._live_new):
            self._live_new = False

    def on_error(self) -> None:
        """The run is held rather than left to chance."""
        self._dispatch(events.Trouble("program", "a fault in the program; see the log"))

    # -- readings ------------------------------------------------------------------------------

    def _hear(self) -> None:
        readings = self.devices.take_readings()
        if not readings:
            return
        run = self.run.id if self.run is not None and self.run.state not in ENDED else None
        self.log_writer.raw(run, [Raw(r.time, r.value, r.mark) for r in readings])
        acquisition = self.acquisition
        if acquisition is None:
            return
        self._live_new = True
        needed = self._filter_needed()
        at_rest = self.stage.task is None or (self.stage.task.kind == "read" and not self._handling())
        for left, reading in enumerate(readings, -len(readings)):
            self.noise.feed(reading, at_rest)
            self.answers.feed(reading.time, reading.value)
            follow = needed or (self.watched and left >= -NEWEST)
            settling = acquisition.feed(reading, follow, self._handling())
            self._hear_hands(reading)
            if not self.hands_free.engaged and (bad := acquisition.out_of_range()) is not None:
                self._dispatch(events.OutOfRange(*bad))
                acquisition.begin(reading.time)  # with the magnet off the pan nothing settles
            if settling is not None:
                self._maybe_accept(acquisition)

    def _filter_needed(self) -> bool:
        """The filter costs the most of a reading: it rests while nobody asks anything of it. For one who
        only looks it hears the ``NEWEST``: else, on a busy machine, a person's word would wait too long."""
        task = self.stage.task
        if self.run is None or self.run.state != "running" or task is None:
            return False
        return task.kind == "read"

    def _hear_hands(self, reading: BalanceReading) -> None:
        """What the balance shows of a person's hands, where the run may go by it."""
        for event in self.hands_free.hear(reading, self.run, self.stage):
            if isinstance(event, events.Asked):
                self._person(event, answered := Future())
                if answered.done() and (why := answered.exception()) is not None:
                    self.edit("taps", f"Not possible now: {why}", {})
            else:
                self._dispatch(event)
        self._hands_off()

    def _hands_off(self) -> None:
        """A reading during which hands were at the pan begins again without them."""
        task = self.stage.task
        if self.hands_free.released() and self._armed and task is not None and task.kind == "read":
            self._begin(task)

    def _handling(self) -> bool:
        """Whether a person is at work on the bench, as asked or tapping."""
        return self.hands_free.engaged or (self.stage.task is not None and self.stage.task.by_hand)

    def _maybe_accept(self, acquisition: Acquisition) -> None:
        task = self.stage.task
        if not self._armed or self.hands_free.engaged or task is None or task.kind != "read":
            return
        reading = acquisition.taken() if acquisition.ready and self.devices.identified else None
        if reading is None:
            return
        verdict = verdict_on(self.answers, self.run, task, acquisition, reading)
        self._armed = not verdict
        if isinstance(verdict, events.NotBelieved):
            self._dispatch(replace(verdict, reading=reading | self.devices.measured()))
        elif verdict:
            reading |= {"vouched": self.answers.seen, "noise_kg": self.answers.noise}
            self.answers.taken(reading["value_kg"], reading["u_kg"])
            self.devices.balance_delay = self.answers.delay
            self.hands_free.settled(acquisition.settling)
            self._dispatch(events.Accepted(task.serial, reading | self.devices.measured()))

    # -- times ---------------------------------------------------------------------------------

    def _look_at_times(self) -> None:
        now = self.clock.now()
        least = self.rate  # no patience is shorter than a second of the machine's time
        self.watch.look()
        self.hands_free.follow(self.run, self.stage)
        self._hands_off()
        if self._armed and now - self._read_began > max(PATIENCE, 10 * least):
            self._not_settled(now)
        if self._held_at is not None and self.run is not None and now - self._held_at > patience(self.run):
            self._held_at = now  # and once more, where it is held still
            self._dispatch(events.TryAgain())
        if (why := self.queue.series_ended(self.run)) and not self.stage.ending:
            self._person(events.Asked("stop", why), Future())
        for number, record in self.queue.not_begun():
            self._entries.hand_over(number, record)
        if self.run is None or self.run.state in ENDED:
            self._start_planned()

    def _not_settled(self, now: float) -> None:
        task, acquisition = self.stage.task, self.acquisition
        self._armed = False
        if task is None or task.kind != "read" or acquisition is None:
            return
        self._dispatch(not_settled(task, acquisition, now, now - self._read_began, self.devices.measured()))

    # -- runs ----------------------------------------------------------------------------------

    def resume(self, run: RunRecord, why: str) -> None:
        """A run found in the store that had not ended; held until a person lets it go on."""
        self.run, self._held_at = run, self.clock.now()
        self.stage = replace(machine.resumed(run, why), balance_ok=self.stage.balance_ok)
        if run.state == "running":
            self._do([events.Record("held", f"Held: {why}", {"why": why, "code": "restart"})])
            self.stage = replace(self.stage, unrecorded=self.stage.unrecorded + 1)

    def use_bench(self, bench: Bench, target: float | None = None) -> None:
        """Open the bench's devices and follow its balance, so that live readings show."""
        self.devices.open(bench)
        self.watch.expect_balance()
        resolution = bench.balance.resolution
        memory = self.noise.use(bench, self.acquisition)
        limits = PanLimits.of(bench)
        target = target or TARGET_DIGITS * resolution
        self.acquisition = Acquisition(resolution, target, limits, memory, self.watch.reading_alone)
        self.answers = Answers(resolution, self.rate)
        least = least_by_hand(resolution, self.acquisition.target)
        self.hands_free.use(bench.balance.capacity, resolution, least)

    def add_run(self, new: RunRequest) -> int:
        """Plan a run; it starts as soon as no other is under way and its time has come."""
        number, planned = self.queue.add(new)
        self._entries.hand_over(number, planned)
        self._start_planned()
        return number

    def _start_planned(self) -> None:
        busy = self.run is not None and self.run.state not in ENDED
        if busy or self.stage.unrecorded or self.stage.task is not None:
            return
        run = self.queue.due(only_asked_for=self.stage.person_first)
        if run is None:
            return
        if self.run is not None and next_task(self.run, self.stage) is not None:
            return  # the run before still brings the lift to the far end
        bench = self.queue.take(run)
        # Where the lift stands is known from one run to the next only at the far end.
        self.run, old = run, self.stage
        self.stage = events.BenchState(
            serial=old.serial, balance_ok=old.balance_ok, balance_why=old.balance_why
        )
        self.use_bench(bench, run.target_u_kg)
        self.stage = replace(self.stage, unrecorded=1)
        self._do([events.Record("started", self.queue.words_at_start(run), {})])

    # -- the machine ---------------------------------------------------------------------------

    def _dispatch(self, event: events.Event) -> None:
        self.queue.hear(event)
        if self.run is None:
            if isinstance(event, events.BalanceBack):
                self.stage = replace(self.stage, balance_ok=True, balance_why="")
            elif isinstance(event, events.BalanceGone):
                self.stage = replace(self.stage, balance_ok=False, balance_why=event.why)
            return
        before = self.run.state
        self.run, self.stage, acts = machine.advance(self.run, self.stage, event)
        if self.run.state == "held" and before != "held":
            self._held_at = self.clock.now()
            self.alarm({"kind": "held", "run": self.run.id, "code": self.run.code, "text": self.run.why})
        elif self.run.state != "held":
            self._held_at = None
        asked, self._asked = self._asked, self.stage.doubt is not None
        doubt = self.stage.doubt
        if doubt is not None and not asked and self.run.state == "running":
            self.alarm({"kind": "person", "run": self.run.id, "text": doubt.text})
        self._do(acts)

    def _do(self, acts: list[events.Act]) -> None:
        for act in acts:
            match act:
                case events.Do():
                    self._begin(act.task)
                case events.Record():
                    assert self.run is not None
                    self._entries.hand_over(
                        self.run.id, act, lambda event: self.happen(events.Committed(event))
                    )
                case events.StopMove():
                    self.mover.stop()
                case events.Confirm():
                    self.mover.confirm(act.task)
                case events.Refuse():
                    log.info("refused: %s", act.text)

    def _begin(self, task: events.Task) -> None:
        if task.kind != "read":
            self.answers.moving(self.clock.now(), by_hand=task.by_hand)
        if task.driven or task.sets_by_hand:
            self.mover.begin(task)
        elif task.kind == "read" and self.acquisition is not None:
            self._read_began = max(self.clock.now(), due(self.run, task.step))
            self.answers.stands(self._read_began)
            self._armed = True
            self.hands_free.reading_begins(self._read_began)
            zero = self.run.zero if self.run is not None else None
            self.acquisition.zero = zero.value if zero is not None else None
            target = task.step.get("target_u_kg") if task.step is not None else None
            self.acquisition.begin(self._read_began, expected_reading(self.run, task.step), target)

    def _refused_by_store(self, kind: str, why: str) -> None:
        """An entry will never be written: a run that waits for it is held."""
        if kind in machine.RECORDS:
            self._dispatch(events.NotRecorded(kind, why))

    def _committed(self, event: LogEvent) -> None:
        if event.kind in ("finished", "stopped"):
            self.noise.learn(self.acquisition)
            if event.kind == "finished":
                self.alarm({"kind": "finished", "run": event.run, "text": event.text})
        self.publisher.committed(event, self.run)
        self.planner.hear(event, self.run)

    def note(self, kind: str, text: str, run: int | None = None, data: dict[str, Any] | None = None) -> None:
        """Write a line into the log that changes no run."""
        self._entries.hand_over(run, events.Record(kind, text, data or {}))

    def edit(self, kind: str, text: str, data: dict[str, Any], run: int | None = None) -> None:
        """A person's change to a run (None: the present one) that the procedure has no part in."""
        if run is None and self.run is None:
            raise Refused("there is no run")
        record, number = events.Record(kind, text, data), run or (self.run and self.run.id)
        self._entries.hand_over(number, record, lambda event: self.post(lambda: self._fold(event)))

    def _fold(self, event: LogEvent) -> None:
        self.queue.change(event)
        if self.run is not None and event.run == self.run.id:
            self.run = apply(self.run, event)

    def _person(self, asked: events.Asked, future: Future[Any]) -> None:
        if not future.set_running_or_notify_cancel():
            return  # who asked has given up, and knows that it was not done
        if self.run is None:
            future.set_exception(Refused("there is no run"))
            return
        self.run, self.stage, acts = machine.advance(self.run, self.stage, asked)
        refused = [act.text for act in acts if isinstance(act, events.Refuse)]
        self._do(acts)
        if refused:
            future.set_exception(Refused(refused[0]))
        else:
            self._pending.add(future, so_far="The run is held" if asked.what == "hold" else "")

    # -- what devices say, from their threads --------------------------------------------------

    def _balance_state(self, state: DeviceState, why: str) -> None:
        self.post(lambda: self.watch.balance_is(state, why))
        self.post(self.publisher.devices_changed)

    def _lift_state(self, state: DeviceState, why: str) -> None:
        self.post(lambda: self.watch.lift_is(state, why))
        self.post(self.publisher.devices_changed)

    def _refused(self, raw: bytes, why: str) -> None:
        self.post(lambda: self.watch.line_refused(raw, why))

    # -- telling -------------------------------------------------------------------------------

    def action(self) -> Any:
        """What happens next, in words; None without a run."""
        return None if self.run is None else action_of(self.run, self.stage)

    def snapshot(self) -> Snapshot:
        """Everything needed to draw a screen; in the controller's thread."""
        return self.publisher.snapshot(self.run, self.stage, self.acquisition, self.clock.now())
