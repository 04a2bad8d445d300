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

from dataclasses import replace
from typing import Any

from ..protocol import Step
from . import drift
from . import manual_steps as hands
from . import plausibility as doubts
from .commands import Outcome, answer, by_hand, go_on
from .events import (
    Accepted,
    Act,
    Asked,
    BalanceBack,
    BalanceGone,
    BenchState,
    Committed,
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
    Task,
    Trouble,
    TroubleOver,
    TryAgain,
)
from .log_entries import hands_done, held, reading_of, restarted, turned
from .next_task import next_task
from .restart import restart, unconfirmed, under_way
from .run import RunRecord, apply

#: How often in a row a lift may lose its position before a person is asked for.
LIFT_TRIES = 3
#: How often in a run, until a person lets it go on, a branch is begun again because the lift was reset.
MOST_RESETS = 4
#: Homing finds its switch again to some micrometres; a motor loses four full steps at a time, 0.04 mm.
LOST_TOLERATED = 1.5e-5
#: The entries a run waits for.
RECORDS = frozenset(
    (
        *("zero", "point", "hands", "asked", "turned", "homed", "restarted"),
        *("started", "held", "went-on", "stopped", "finished"),
    )
)
#: What an unattended run goes on after by itself, by the code of its hold: as soon as what it waited for is
#: back, or after a while, from the far end through the strongest field. After anything else, such as a pull
#: out of range, a stop or a lift that did something else than asked, it waits for a person.
GOES_ON = frozenset(("balance", "lift", "restart", "disk", "store"))
TRIES_AGAIN = frozenset(("not-settled", "moved-alone", "unanswered", "late", "dead", "lift"))


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
    records = [act for act in acts if isinstance(act, Record)]
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
            if event.event.kind == "held":
                return _by_itself(run, replace(stage, holding=False))
            return run, stage, []
        case NotRecorded():
            stage = replace(stage, unrecorded=max(0, stage.unrecorded - 1), ending=False)
            if event.kind == "held":
                stage = replace(stage, holding=False)
            if not _going(run, stage):
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
                closed=stage.closed and task.kind != "establish",
                task=None,
                retreat=stage.retreat and not event.far,
                retreat_tries=0,
                halted=False,
            )
            return _stands(run, stage, task, event.lost)
        case LiftFailed():
            if event.serial != serial or stage.task is None:
                return run, stage, []
            if stage.task.sets_by_hand:
                return run, replace(stage, task=None, holding=True), [held(event.why, "spacers")]
            homing = _homing(stage)
            kind = "fault" if homing and stage.lift_known else "reset"
            tries = stage.retreat_tries + (1 if stage.retreat else 0)
            stage = replace(stage, task=None, retreat_tries=tries)
            if stage.halted:
                return run, _void(replace(stage, halted=False)), []
            return _lift_lost(run, stage, event.why, kind, unconfirmed=homing)
        case LiftVoid():
            if stage.halted or (not stage.lift_known and event.kind in ("reset", "fault")):
                return run, stage, []  # asked for, known already, or a homing under way will tell
            unconfirmed = event.kind == "fault" and _homing(stage)
            return _lift_lost(run, stage, event.why, event.kind, unconfirmed=unconfirmed)
        case LiftBack():
            tries = stage.retreat_tries if stage.lift_ok else 0
            return _by_itself(run, replace(stage, lift_ok=True, retreat_tries=tries))
        case Accepted():
            if event.serial != serial or stage.task is None or stage.task.step is None:
                return run, stage, []
            return _accepted(run, stage, stage.task.step, event.reading)
        case NotBelieved():
            if event.serial != serial or not _going(run, stage):
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
            if not _going(run, stage) or task is None or task.by_hand or not with_sample:
                return run, stage, []  # a hand leaning on the pan is no fault
            return _fault(run, stage, event.why, event.code, at_once=True)
        case BalanceGone():
            stage = replace(stage, balance_ok=False, balance_why=event.why, zero_void=True, compare=True)
            if not _going(run, stage):
                return run, stage, []
            return _fault(run, stage, f"the balance: {event.why}", "balance", at_once=False)
        case BalanceBack():
            return _by_itself(run, replace(stage, balance_ok=True, balance_why=""))
        case Trouble():
            if not _going(run, stage):
                return run, stage, []
            return _fault(run, stage, event.why, event.code, at_once=False)
        case TroubleOver():
            return _by_itself(run, stage) if run.code == event.code else (run, stage, [])
        case TryAgain():
            return _try_again(run, stage)
        case Asked():
            return answer(run, stage, event)


def _going(run: RunRecord, stage: BenchState) -> bool:
    """Whether the run is running and no hold is on its way into the log."""
    return run.state == "running" and not stage.holding


def _able(stage: BenchState) -> bool:
    """Whether the bench could go on; a stopped lift waits for a person."""
    return stage.balance_ok and stage.lift_ok and not stage.person_first and not stage.unrecorded


def _by_itself(run: RunRecord, stage: BenchState) -> Outcome:
    """A run held for the balance alone goes on when it is back; an unattended one after other things too."""
    waited = run.code == "balance" or (run.unattended and run.code in GOES_ON)
    if run.state == "held" and waited and _able(stage):
        return go_on(run, stage, "itself")
    return run, stage, []


def _try_again(run: RunRecord, stage: BenchState) -> Outcome:
    """What came by itself may have gone by itself: a draught, a knock, a balance that stood still."""
    again = run.code == "not-settled" or (run.unattended and run.code in TRIES_AGAIN)
    if run.state != "held" or not again or not _able(stage):
        return run, stage, []
    if run.code != "not-settled":  # nothing that was read before is gone by
        stage = replace(stage, zero_void=True, compare=True)
    return go_on(run, stage, "itself")


def _void(stage: BenchState) -> BenchState:
    return replace(stage, lift_known=False, height=None, at_far_end=False, orientation=None, closed=True)


def _stands(run: RunRecord, stage: BenchState, task: Task, lost: float | None) -> Outcome:
    """What a move that ended where it should is good for."""
    if task.kind == "establish":
        return _homed(run, stage, lost)
    if task.kind == "turn":
        return run, stage, [turned(run, task)]
    if run.turner and task.kind == "approach" and task.step and stage.orientation != task.step["orientation"]:
        return _lift_lost(run, stage, "the angle of its turner is not confirmed", "reset", unconfirmed=False)
    return run, stage, []


def _fault(run: RunRecord, stage: BenchState, why: str, code: str, *, at_once: bool) -> Outcome:
    """Hold, and bring the lift to the far end: after the move under way, or by stopping it at once."""
    acts: list[Act] = [held(why, code)]
    far = run.ladder == "lift" and not stage.person_first
    stage = replace(stage, retreat=far, retreat_tries=0, interrupted=why, holding=True)
    if at_once and stage.task is not None and stage.task.kind == "approach":
        acts.append(StopMove())
        stage = replace(stage, halted=True)
    return run, stage, acts


def _homed(run: RunRecord, stage: BenchState, lost: float | None) -> Outcome:
    """Homing tells whether steps were lost: then the readings since the last one stand at other gaps."""
    if lost is None:
        return _uncounted(run, stage)
    found = f"the lift stood {lost * 1e3:+.3f} mm from where it was thought to be"
    acts: list[Act] = [Record("homed", f"Homed: {found}." if lost else "Homed.", {"lost_m": lost})]
    if abs(lost) <= LOST_TOLERATED or not run.unchecked:
        return run, stage, acts
    why = f"steps were lost: {found}"
    acts += _set_aside(run, why)
    if not _going(run, stage):
        return run, stage, acts
    plan = unconfirmed(run, why, need_zero=stage.zero_void) if run.unattended else None
    if plan is not None and run.resets < MOST_RESETS:
        return run, stage, [*acts, restarted(why, plan, "lift")]
    advice = f"{why}; {len(run.unchecked)} readings are set aside. Free the lift, then start the run again"
    return run, replace(stage, holding=True), [*acts, held(advice, "lift")]


def _uncounted(run: RunRecord, stage: BenchState) -> Outcome:
    """The lift kept no count: what no homing had confirmed before is read again, from its branch's start."""
    acts: list[Act] = [Record("homed", "Homed; the lift had kept no count to compare.", {"lost_m": None})]
    if not run.unchecked:
        return run, stage, acts
    why = "the lift lost its count before a homing confirmed their heights"
    plan = unconfirmed(run, why, need_zero=stage.zero_void)
    acts += _set_aside(run, why)
    if plan is not None and _going(run, stage):
        acts.append(restarted(why, plan))
    elif run.state == "held":
        stage = replace(stage, interrupted=why)
    return run, stage, acts


def _set_aside(run: RunRecord, why: str) -> list[Act]:
    """The readings that no homing has confirmed."""
    return [
        Record("set-aside", f"Reading {p['id']} set aside: {why}", {"point": p["id"], "why": why})
        for p in run.unchecked
    ]


def _not_believed(run: RunRecord, stage: BenchState, event: NotBelieved) -> Outcome:
    """Held and asked. Of a late balance nothing since its last zero counts: the branch is read again."""
    used = [p for p in run.points if p["set_aside"] is None]
    acts: list[Act] = []
    for point in used[len(used) - event.doubtful :] if event.doubtful else []:
        text = f"Reading {point['id']} set aside: {event.why}"
        acts.append(Record("set-aside", text, {"point": point["id"], "why": event.why}))
    if event.code == "late":
        run, stage, more = _fault(run, replace(stage, zero_void=True), event.why, "late", at_once=False)
        return run, stage, [*acts, *more]
    stage = replace(stage, unsettled=event.reading, holding=True)
    return run, stage, [*acts, held(event.why, event.code)]


def _homing(stage: BenchState) -> bool:
    """Whether a homing is under way: it is to confirm what was read since the one before."""
    return stage.task is not None and stage.task.kind == "establish"


def _lift_lost(run: RunRecord, stage: BenchState, why: str, kind: str, *, unconfirmed: bool) -> Outcome:
    """The position is void. After a reset the branch is begun again by itself, a few times in a row.

    ``unconfirmed``: the homing that should have confirmed the last readings' heights failed; where it is not
    tried again, they are set aside.
    """
    failures = stage.lift_failures + 1
    stage = replace(_void(stage), lift_failures=failures, lift_ok=kind != "gone")
    if kind not in ("reset", "gone") or (kind == "gone" and not run.unattended):
        stage = replace(stage, person_first=True)
    if kind == "button":
        stage = replace(stage, retreat=False)
    if stage.task is not None and stage.task.kind in ("approach", "turn"):
        stage = replace(stage, task=None)
    if not _going(run, stage) or run.ladder != "lift":
        return run, stage, []
    reason = f"the lift: {why}"
    often = run.resets >= MOST_RESETS
    if kind == "reset" and often:
        reason = (
            f"{reason}; it started afresh {run.resets + 1} times in this run: look at its supply and cable"
        )
    if kind != "reset" or failures >= LIFT_TRIES or often:
        far = kind in ("reset", "fault")
        stage = replace(stage, interrupted=reason, retreat=far, retreat_tries=0, holding=True)
        aside = _set_aside(run, f"no homing confirmed its height: {why}") if unconfirmed else []
        return run, stage, [*aside, held(reason, "lift")]
    plan = restart(run, reason, need_zero=stage.zero_void, moved=True)
    if plan is None:
        return run, stage, []
    stage = replace(stage, zero_void=False)
    return run, stage, [restarted(reason, plan, "lift")]


def _accepted(run: RunRecord, stage: BenchState, step: Step, reading: dict[str, Any]) -> Outcome:
    stage = replace(stage, lift_failures=0)
    if stage.compare and (found := doubts.compared(run, step, reading)) is not None:
        agrees, text = found
        if not agrees:
            stage = replace(stage, unsettled=reading, holding=True)
            return run, stage, [held(text, "another-balance")]
        stage = replace(stage, compare=False)
        return run, stage, [Record("compared", text, {}), reading_of(step, reading)]
    doubt = doubts.about(run, step, reading["value_kg"])
    if doubt is not None:
        return run, replace(stage, doubt=replace(doubt, reading=reading), task=None), []
    if step["kind"] == "zero":
        stage = replace(stage, zero_void=False)
    acts: list[Act] = [reading_of(step, reading)]
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
    if not _going(run, stage) or task is None or run.sample_on:
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
