"""What happens next on the bench: an explicit state machine, pure.

Events go in, actions come out; no port, no store, no clock. The kept part of the state is the run
as its log tells it (``RunRecord``); the passing part is the ``BenchState``. After every event the machine
asks ``next_task`` what the two together call for, and begins that if it is not under way: so a run
taken up again after a crash goes the same way as one that was never broken off.

Order of a lift run: home, sample off, zero, sample on, legs in and out; at the far end sample off,
zero, turn over, sample on, and so on. A turner takes the person's place: at the far end a reading, the turn,
a reading, and the legs; nobody is needed from start to finish. With spacers every point has its own:
spacers, zero, sample on, reading, sample off. Hands-free, the balance shows what was done: see ``hands``,
``taps`` and ``doubts``.
"""

from __future__ import annotations

from typing import Any

from ..frozen import replace
from ..protocol import Step
from . import branch_check, drift, returned_balance
from . import manual_steps as hands
from . import plausibility as doubts
from .commands import Outcome, answer, by_hand
from .events import (
    Accepted,
    Act,
    Asked,
    BalanceBack,
    BalanceGone,
    BenchState,
    Committed,
    CurrentFailed,
    CurrentFlows,
    Do,
    Event,
    Level,
    LiftBack,
    LiftFailed,
    LiftVoid,
    NotBelieved,
    NotRecorded,
    NotSettled,
    OutOfRange,
    Record,
    Stands,
    StopMove,
    Tapped,
    Trouble,
    TroubleOver,
    TryAgain,
)
from .lift_faults import going, homing, lift_lost, stands, void
from .log_entries import hands_done, held, reading_of, restarted, set_aside, switched
from .next_task import next_task
from .restart import restart, under_way
from .run import RunRecord, apply
from .unattended import by_itself, try_again

#: The entries a run waits for.
RECORDS = frozenset(
    (
        *("zero", "point", "hands", "asked", "turned", "current", "homed", "restarted"),
        *("started", "held", "went-on", "stopped", "finished"),
    )
)


def advance(run: RunRecord, stage: BenchState, event: Event) -> Outcome:
    """One event. Returns the run and the stage after it, and what must be done, in order."""
    before = stage.task
    run, stage, acts = _advance(run, stage, event)
    if before is None or not before.sets_by_hand or stage.task == before:
        return run, stage, acts
    stage = replace(stage, confirmed_by="")
    ended = isinstance(event, Stands | LiftFailed)
    return run, stage, acts if ended else [StopMove(), *acts]  # what was asked of the person no longer counts


def _advance(run: RunRecord, stage: BenchState, event: Event) -> Outcome:
    run, stage, acts = _take(run, stage, event)
    if stage.stopping and not stage.unrecorded and not _any_record(acts):
        run, stage, ends = answer(run, replace(stage, stopping=""), Asked("stop", stage.stopping))
        acts = [*acts, *(act for act in ends if isinstance(act, Record))]  # it may have ended meanwhile
    records = [act for act in acts if isinstance(act, Record)]
    if records:
        stage = replace(stage, unrecorded=stage.unrecorded + len(records))
    for record in records:
        if record.kind == "held":
            stage = replace(stage, hold_why=record.data["why"])
        elif record.kind in ("stopped", "finished"):
            stage = replace(stage, ending=True)
    moving = stage.task is not None and stage.task.driven
    if stage.unrecorded:  # nothing new begins on what is not yet written down, but for the way to safety
        if stage.task is not None and not moving and _any_record(acts):
            stage = replace(stage, task=None)
        if not stage.retreat or moving:
            return run, stage, acts
    wanted = next_task(run, stage)
    over = run.state == "running" and run.next_step is None and wanted is None and not run.single
    if over and not moving and not stage.unrecorded:
        ending = Record("finished", "The run is finished.", {})
        stage = replace(stage, retreat=run.ladder == "lift", unrecorded=1, task=None, ending=True)
        return run, stage, [*acts, ending]
    if wanted is None:
        return run, stage if moving else replace(stage, task=None), acts
    if moving or wanted.same_as(stage.task):
        return run, stage, acts
    task = replace(wanted, serial=stage.serial + 1)
    closed = stage.closed or task.kind == "approach"
    return run, replace(stage, task=task, serial=task.serial, closed=closed), [*acts, Do(task)]


def _any_record(acts: list[Act]) -> bool:
    return any(isinstance(act, Record) for act in acts)


def _take(run: RunRecord, stage: BenchState, event: Event) -> Outcome:
    serial = stage.task.serial if stage.task is not None else None
    match event:
        case Committed():
            run = apply(run, event.event)
            stage = replace(stage, unrecorded=max(0, stage.unrecorded - 1))
            if event.event.kind in ("stopped", "finished"):
                stage = replace(stage, ending=False)
            if run.zero is not None and run.zero.id == event.event.id:
                stage = replace(stage, zero_void=False)
            if event.event.kind == "held":
                return by_itself(run, replace(stage, holding=False), at_once=True)
            return run, stage, []
        case NotRecorded():
            stage = replace(stage, unrecorded=max(0, stage.unrecorded - 1), ending=False)
            if event.kind == "held":
                stage = replace(stage, holding=False)
            if not going(run, stage):
                return run, stage, []
            return _fault(run, stage, event.why, "store", at_once=False)
        case Stands():
            task = stage.task
            if event.serial != serial or task is None:
                return run, stage, []
            if task.sets_by_hand:
                return run, replace(stage, task=None), [hands_done(run, task, stage.confirmed_by)]
            stage = replace(
                stage,
                lift_known=True,
                height=event.height,
                at_far_end=event.far,
                orientation=event.orientation,
                current=None,
                closed=stage.closed and task.kind != "establish",
                task=None,
                retreat=stage.retreat and not event.far,
                retreat_tries=0,
                halted=False,
            )
            return stands(run, stage, task, event.lost)
        case LiftFailed():
            if event.serial != serial or stage.task is None:
                return run, stage, []
            if stage.task.sets_by_hand:
                return run, replace(stage, task=None, holding=True), [held(event.why, "spacers")]
            confirming = homing(stage)
            kind = "fault" if confirming and stage.lift_known else "reset"
            tries = stage.retreat_tries + (1 if stage.retreat else 0)
            stage = replace(stage, task=None, retreat_tries=tries)
            if stage.halted:
                return run, void(replace(stage, halted=False)), []
            return lift_lost(run, stage, event.why, kind, unconfirmed=confirming)
        case CurrentFlows():
            if event.serial != serial or stage.task is None or stage.task.step is None:
                return run, stage, []
            asked = stage.task.step.get("current_A")
            return run, replace(stage, task=None, current=asked), [switched(asked, event.current)]
        case CurrentFailed():
            if event.serial != serial:
                return run, stage, []
            return _fault(run, replace(stage, task=None, current=None), event.why, "current", at_once=False)
        case LiftVoid():
            if stage.halted or (not stage.lift_known and event.kind in ("reset", "fault")):
                return run, stage, []  # asked for, known already, or a homing under way will tell
            unconfirmed = event.kind == "fault" and homing(stage)
            return lift_lost(run, stage, event.why, event.kind, unconfirmed=unconfirmed)
        case LiftBack():
            tries = stage.retreat_tries if stage.lift_ok else 0
            return by_itself(run, replace(stage, lift_ok=True, retreat_tries=tries))
        case Accepted():
            if event.serial != serial or stage.task is None or stage.task.step is None:
                return run, stage, []
            return _accepted(run, stage, stage.task.step, event.reading)
        case NotBelieved():
            if event.serial != serial or not going(run, stage):
                return run, stage, []
            return _not_believed(run, stage, event)
        case NotSettled():
            if event.serial != serial:
                return run, stage, []
            return (
                run,
                replace(stage, unsettled=event.reading, holding=True),
                [held(event.why, "not-settled")],
            )
        case Level():
            return _level(run, stage, event)
        case Tapped():
            return _confirmed_by_the_balance(run, stage, "tapped on the pan")
        case OutOfRange():
            task = stage.task
            if event.code == "magnet-lifted" and _waits_to_place(run, stage):
                return _zero_again(run, stage, "the magnet was taken off the pan")
            with_sample = task is not None and task.step is not None and task.step["kind"] == "point"
            if not going(run, stage) or task is None or task.by_hand or not with_sample:
                return run, stage, []  # a hand leaning on the pan is no fault
            return _fault(run, stage, event.why, event.code, at_once=True)
        case BalanceGone():
            stage = replace(stage, balance_ok=False, balance_why=event.why, zero_void=True, compare=True)
            if not going(run, stage):
                return run, stage, []
            return _fault(run, stage, f"the balance: {event.why}", "balance", at_once=False)
        case BalanceBack():
            return by_itself(run, replace(stage, balance_ok=True, balance_why=""))
        case Trouble():
            if not going(run, stage):
                return run, stage, []
            return _fault(run, stage, event.why, event.code, at_once=False)
        case TroubleOver():
            return by_itself(run, stage) if run.code == event.code else (run, stage, [])
        case TryAgain():
            return try_again(run, stage)
        case Asked():
            return answer(run, stage, event)


def _fault(run: RunRecord, stage: BenchState, why: str, code: str, *, at_once: bool) -> Outcome:
    """Hold, and bring the lift to the far end: after the move under way, or by stopping it at once."""
    acts: list[Act] = [held(why, code)]
    far = run.ladder == "lift" and not stage.person_first
    stage = replace(stage, retreat=far, retreat_tries=0, interrupted=why, holding=True)
    if at_once and stage.task is not None and stage.task.kind == "approach":
        acts.append(StopMove())
        stage = replace(stage, halted=True)
    return run, stage, acts


def _not_believed(run: RunRecord, stage: BenchState, event: NotBelieved) -> Outcome:
    """Held and asked. Of a late balance nothing since its last zero counts: the branch is read again."""
    used = [p for p in run.points if p["set_aside"] is None]
    # A stage that is stuck may have stuck on its way to the reading before.
    doubtful = event.doubtful + (event.code == "unanswered" and run.ladder == "lift")
    acts = set_aside(used[len(used) - doubtful :] if doubtful else [], event.why)
    if event.code == "late":
        run, stage, more = _fault(run, replace(stage, zero_void=True), event.why, "late", at_once=False)
        return run, stage, [*acts, *more]
    stage = replace(stage, unsettled=event.reading, holding=True)
    return run, stage, [*acts, held(event.why, event.code)]


def _accepted(run: RunRecord, stage: BenchState, step: Step, reading: dict[str, Any]) -> Outcome:
    stage = replace(stage, lift_failures=0)
    if run.source and "current_A" not in reading:
        why = "the coil's current went off during the reading"
        return _fault(run, replace(stage, current=None), why, "current", at_once=False)
    if stage.compare:
        text, by = returned_balance.another_balance(run, step, reading)
        if text:
            why = f"the balance that came back may be another one: {text}"
            code = "another-noise" if by == "noise" else "another-balance"
            counted: list[Act] = [] if by == "number" else [reading_of(run, step, reading)]
            return run, replace(stage, holding=True), [*counted, held(why, code)]
    if stage.compare and run.coil:
        stage = replace(stage, compare=False)  # each gap has its own zero and both directions
    if stage.compare and (found := returned_balance.compared(run, step, reading)) is not None:
        agrees, text = found
        if not agrees:
            stage = replace(stage, unsettled=reading, holding=True)
            return run, stage, [held(text, "another-balance")]
        stage = replace(stage, compare=False)
        return run, stage, [Record("compared", text, {}), reading_of(run, step, reading)]
    off, doubtful = branch_check.off_the_branch(run, step, reading)
    if off:
        stage = replace(void(stage), unsettled=reading, interrupted=off, holding=True)
        return run, stage, [*set_aside(doubtful, off), held(off, "another-gap")]
    doubt = doubts.about(run, step, reading["value_kg"])
    if doubt is not None:
        return run, replace(stage, doubt=replace(doubt, reading=reading), task=None), []
    acts: list[Act] = [reading_of(run, step, reading)]
    if (check := drift.drift_check(run, step, reading["value_kg"], reading["u_kg"])) is not None:
        acts.append(Record("drift", drift.in_words(check), check))
    return run, stage, acts


def _level(run: RunRecord, stage: BenchState, level: Level) -> Outcome:
    before = stage.level
    stage = replace(stage, level=level.value)
    task = stage.task
    if task is None or not task.by_hand or task.step is None or not run.hands_free:
        return run, stage, []
    if _waits_to_place(run, stage) and hands.zero_moved(run, level.value):
        return _zero_again(run, stage, "the balance was re-zeroed")
    if not hands.seen(task.code, task.step, run, level, before):
        return run, stage, []
    return _confirmed_by_the_balance(run, stage, "seen by the balance")


def _confirmed_by_the_balance(run: RunRecord, stage: BenchState, how: str) -> Outcome:
    """What was asked is done, as the balance shows.

    A question has answers of its own; and no lift moves while a finger may be at the pan.
    """
    task = stage.task
    hears = run.hands_free and run.ladder == "spacers" and not stage.unrecorded
    if not hears or task is None or not task.by_hand or task.code == "question":
        return run, stage, []
    return by_hand(run, replace(stage, seen=task.code), task, how)


def _waits_to_place(run: RunRecord, stage: BenchState) -> bool:
    """Whether the sample is away, its zero is read, and it is about to go on."""
    task = stage.task
    if not going(run, stage) or task is None or run.sample_on:
        return False
    return task.code == "place-sample" or (task.code == "turn-over" and run.ladder == "lift")


def _zero_again(run: RunRecord, stage: BenchState, why: str) -> Outcome:
    """The zero just read does not hold any more."""
    plan = restart(run, why, need_zero=True, moved=False)
    if plan is None or stage.unrecorded:
        return run, stage, []
    return run, stage, [restarted(why, plan)]


def resumed(run: RunRecord, why: str) -> BenchState:
    """The stage of a run found in the store: nothing of the bench is known, its zero neither."""
    return BenchState(zero_void=True, compare=True, interrupted=why if under_way(run) else "")
