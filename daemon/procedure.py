"""What happens next on the bench: an explicit state machine, pure.

Events go in, actions come out; no port, no store, no clock. The kept part of the state is the run
as its log tells it (``RunRecord``); the passing part is the ``Stage``. After every event the machine
asks ``next_task`` what the two together call for, and begins that if it is not under way: so a run
taken up again after a crash goes the same way as one that was never broken off.

Order of a lift run: home, sample off, zero, sample on, legs in and out; at the far end sample off,
zero, turn over, sample on, and so on. With spacers every point has its own: spacers, zero, sample on,
reading, sample off.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from . import drift, hands
from .history import again, restart, under_way
from .protocol import Action, ActionCode, Step
from .run_state import ENDED, RunRecord, apply
from .stage import (
    Accepted,
    Act,
    Asked,
    BalanceBack,
    BalanceGone,
    Committed,
    Do,
    Doubt,
    Event,
    Fault,
    Level,
    LiftBack,
    LiftFailed,
    LiftVoid,
    NotSettled,
    OutOfRange,
    Record,
    Refuse,
    Stage,
    Stands,
    StopLift,
    Task,
)

__all__ = [
    "AS_IT_IS",
    "ONCE_MORE",
    "Accepted",
    "Act",
    "Asked",
    "BalanceBack",
    "BalanceGone",
    "Committed",
    "Do",
    "Doubt",
    "Event",
    "Fault",
    "Level",
    "LiftBack",
    "LiftFailed",
    "LiftVoid",
    "NotSettled",
    "OutOfRange",
    "Record",
    "Refuse",
    "Stage",
    "Stands",
    "StopLift",
    "Task",
    "action_of",
    "advance",
    "apply",
    "next_task",
    "resumed",
]

#: How often in a row a lift may lose its position before a person is asked for.
LIFT_TRIES = 3
#: Heights closer than half a motor's full step (0.01 mm) are the same place.
SAME_HEIGHT = 5e-6
AS_IT_IS, ONCE_MORE = "take as it is", "once more"


def next_task(run: RunRecord, stage: Stage) -> Task | None:
    """What the bench should be doing now. ``None``: nothing, or the run is over."""
    lift = run.ladder == "lift"
    if lift and stage.retreat:
        if stage.lift_known:
            return None if stage.at_far_end else Task("retreat")
        # Homing always drives away from the magnet, so it is a retreat as well.
        return Task("establish") if stage.lift_ok and stage.retreat_tries < 2 else None
    step = run.next_step
    if run.state != "running" or step is None:
        return None
    if stage.doubt is not None:
        return Task("ask", step=step, code="question", text=stage.doubt.text)
    if lift and not stage.lift_known:
        return Task("establish")
    return _with_lift(run, stage, step) if lift else _with_spacers(run, step)


def _with_lift(run: RunRecord, stage: Stage, step: Step) -> Task:
    by_hand = step["kind"] != "point" or run.sample_on is not True or run.orientation != step["orientation"]
    if by_hand and not stage.at_far_end:
        return Task("retreat")
    if step["kind"] == "point":
        if by_hand:
            return _ask("place-sample", step, run)
        height = step["height_m"]
        if height is not None and (stage.height is None or abs(stage.height - height) > SAME_HEIGHT):
            return Task("approach", height=height, step=step)
        return Task("read", step=step)
    if run.sample_on is not False:
        return _ask("remove-sample", step, run)
    return Task("read", step=step) if step["kind"] == "zero" else _ask("turn-over", step, run)


def _with_spacers(run: RunRecord, step: Step) -> Task:
    if step["kind"] == "point":
        if run.sample_on is not True or run.orientation != step["orientation"]:
            return _ask("place-sample", step, run)
        return Task("read", step=step)
    if run.sample_on is not False:
        return _ask("remove-sample", step, run)
    if step["kind"] == "turn":
        return _ask("turn-over", step, run)
    if run.spacers != step["spacers"]:
        return _ask("set-spacers", step, run)
    return Task("read", step=step)


def _ask(code: ActionCode, step: Step, run: RunRecord) -> Task:
    side = "marked face up" if step["orientation"] > 0 else "marked face down"
    count = step["spacers"]
    texts: dict[ActionCode, str] = {
        "remove-sample": f"Take {run.sample} off its holder.",
        "place-sample": f"Put {run.sample} on its holder, {side}.",
        "turn-over": f"Turn {run.sample} over: it goes on with its {side}; keep it away for now.",
        "set-spacers": f"Set {count} spacer{'' if count == 1 else 's'}, the sample away.",
    }
    return Task("ask", step=step, code=code, text=texts[code])


def action_of(run: RunRecord, stage: Stage) -> Action:
    """The next action in words, for a person."""
    task = stage.task
    spacers = orientation = None
    if task is not None and task.step is not None:
        spacers, orientation = task.step["spacers"], task.step["orientation"]
    action: Action = {
        "code": "none",
        "text": "",
        "needs_confirm": False,
        "choices": [],
        "spacers": spacers,
        "orientation": orientation,
    }
    if run.state == "held" and stage.unsettled is not None:
        text = f"Held: {run.why}. Take it with u = {stage.unsettled['u_kg'] * 1e6:.2g} mg, or once more?"
        choices = [AS_IT_IS, ONCE_MORE]
        return {**action, "code": "question", "text": text, "needs_confirm": True, "choices": choices}
    if task is None or run.state in ENDED:
        words = {
            "held": f"Held: {run.why}. Go on when it is put right.",
            "finished": "The run is finished.",
            "stopped": f"The run was stopped: {run.why}.",
            "planned": "The run waits for its start.",
            "running": "A moment: the last step is being written down.",
        }
        return {**action, "text": words[run.state]}
    if task.kind == "ask":
        question = task.code == "question"
        choices = [AS_IT_IS, ONCE_MORE] if question else []
        return {**action, "code": task.code, "text": task.text, "needs_confirm": True, "choices": choices}
    if task.kind == "read":
        zero = task.step is not None and task.step["kind"] == "zero"
        what = "zero" if zero else "reading"
        return {
            **action,
            "code": "wait-zero" if zero else "wait-reading",
            "text": f"Hands off: the {what} is being taken.",
        }
    texts = {
        "establish": "The lift finds its position at the far end.",
        "retreat": "The lift goes to the far end.",
        "approach": f"The lift goes to {(task.height or 0.0) * 1e3:.2f} mm.",
    }
    return {**action, "code": "wait-move", "text": texts[task.kind]}


def advance(run: RunRecord, stage: Stage, event: Event) -> tuple[RunRecord, Stage, list[Act]]:
    """One event. Returns the run and the stage after it, and what must be done, in order."""
    run, stage, acts = _take(run, stage, event)
    stage = replace(stage, unrecorded=stage.unrecorded + sum(isinstance(a, Record) for a in acts))
    moving = stage.task is not None and stage.task.kind in ("establish", "retreat", "approach")
    if stage.unrecorded:  # nothing new begins on what is not yet written down, but for the way to safety
        if stage.task is not None and not moving and _any_record(acts):
            stage = replace(stage, task=None)
        if not stage.retreat or moving:
            return run, stage, acts
    wanted = next_task(run, stage)
    over = run.state == "running" and run.next_step is None and wanted is None
    if over and not moving and not stage.unrecorded:
        ending = Record("finished", "The run is finished.", {})
        return run, replace(stage, retreat=run.ladder == "lift", unrecorded=1, task=None), [*acts, ending]
    if wanted is None:
        return run, stage if moving else replace(stage, task=None), acts
    if moving or wanted.same_as(stage.task):
        return run, stage, acts
    task = replace(wanted, serial=stage.serial + 1)
    return run, replace(stage, task=task, serial=task.serial), [*acts, Do(task)]


def _any_record(acts: list[Act]) -> bool:
    return any(isinstance(act, Record) for act in acts)


def _take(run: RunRecord, stage: Stage, event: Event) -> tuple[RunRecord, Stage, list[Act]]:
    serial = stage.task.serial if stage.task is not None else None
    match event:
        case Committed():
            run = apply(run, event.event)
            stage = replace(stage, unrecorded=max(0, stage.unrecorded - 1))
            if event.event.kind == "held":
                return _by_itself(run, replace(stage, holding=False))
            return run, stage, []
        case Stands():
            if event.serial != serial:
                return run, stage, []
            stage = replace(
                stage,
                lift_known=True,
                height=event.height,
                at_far_end=event.far,
                task=None,
                retreat=stage.retreat and not event.far,
                retreat_tries=0,
                halted=False,
            )
            return run, stage, []
        case LiftFailed():
            if event.serial != serial:
                return run, stage, []
            tries = stage.retreat_tries + (1 if stage.retreat else 0)
            stage = replace(stage, task=None, retreat_tries=tries)
            if stage.halted:
                return run, _void(replace(stage, halted=False)), []
            return _lift_lost(run, stage, event.why, "reset")
        case LiftVoid():
            if stage.halted or (not stage.lift_known and event.kind in ("reset", "fault")):
                return run, stage, []  # asked for, known already, or a homing under way will tell
            return _lift_lost(run, stage, event.why, event.kind)
        case LiftBack():
            tries = stage.retreat_tries if stage.lift_ok else 0
            return run, replace(stage, lift_ok=True, retreat_tries=tries), []
        case Accepted():
            if event.serial != serial or stage.task is None or stage.task.step is None:
                return run, stage, []
            return _accepted(run, stage, stage.task.step, event.reading)
        case NotSettled():
            if event.serial != serial:
                return run, stage, []
            return (
                run,
                replace(stage, unsettled=event.reading, holding=True),
                [_held(event.why, "not-settled")],
            )
        case Level():
            return _level(run, stage, event.value)
        case OutOfRange():
            task = stage.task
            with_sample = task is not None and task.step is not None and task.step["kind"] == "point"
            if not _going(run, stage) or task is None or task.kind == "ask" or not with_sample:
                return run, stage, []  # a hand leaning on the pan is no fault
            return _fault(run, stage, event.why, event.code, at_once=True)
        case BalanceGone():
            stage = replace(stage, balance_ok=False, balance_why=event.why, zero_void=True)
            if not _going(run, stage):
                return run, stage, []
            return _fault(run, stage, f"the balance: {event.why}", "balance", at_once=False)
        case BalanceBack():
            return _by_itself(run, replace(stage, balance_ok=True, balance_why=""))
        case Fault():
            if not _going(run, stage):
                return run, stage, []
            return _fault(run, stage, event.why, event.code, at_once=False)
        case Asked():
            return _asked(run, stage, event)


def _going(run: RunRecord, stage: Stage) -> bool:
    """Whether the run is running and no hold is on its way into the log."""
    return run.state == "running" and not stage.holding


def _by_itself(run: RunRecord, stage: Stage) -> tuple[Any, Any, list[Act]]:
    """A run held for the balance alone goes on when it is back; a stopped lift waits for a person."""
    able = stage.balance_ok and stage.lift_ok and not stage.person_first and not stage.unrecorded
    if run.state == "held" and run.code == "balance" and able:
        return _go_on(run, stage)
    return run, stage, []


def _held(why: str, code: str) -> Record:
    return Record("held", f"Held: {why}", {"why": why, "code": code})


def _void(stage: Stage) -> Stage:
    return replace(stage, lift_known=False, height=None, at_far_end=False)


def _fault(run: RunRecord, stage: Stage, why: str, code: str, *, at_once: bool) -> tuple[Any, Any, list[Act]]:
    """Hold, and bring the lift to the far end: after the move under way, or by stopping it at once."""
    acts: list[Act] = [_held(why, code)]
    far = run.ladder == "lift" and not stage.person_first
    stage = replace(stage, retreat=far, retreat_tries=0, interrupted=why, holding=True)
    if at_once and stage.task is not None and stage.task.kind == "approach":
        acts.append(StopLift())
        stage = replace(stage, halted=True)
    return run, stage, acts


def _lift_lost(run: RunRecord, stage: Stage, why: str, kind: str) -> tuple[Any, Any, list[Act]]:
    """The position is void. After a reset the branch is begun again by itself, a few times in a row."""
    failures = stage.lift_failures + 1
    stage = replace(_void(stage), lift_failures=failures, lift_ok=kind != "gone")
    if kind != "reset":
        stage = replace(stage, person_first=True)
    if kind == "button":
        stage = replace(stage, retreat=False)
    if stage.task is not None and stage.task.kind == "approach":
        stage = replace(stage, task=None)
    if not _going(run, stage) or run.ladder != "lift":
        return run, stage, []
    reason = f"the lift: {why}"
    if kind != "reset" or failures >= LIFT_TRIES:
        far = kind in ("reset", "fault")
        stage = replace(stage, interrupted=reason, retreat=far, retreat_tries=0, holding=True)
        return run, stage, [_held(reason, "lift")]
    plan = restart(run, reason, need_zero=stage.zero_void, moved=True)
    if plan is None:
        return run, stage, []
    stage = replace(stage, zero_void=False)
    return run, stage, [_restarted(reason, plan)]


def _restarted(why: str, plan: Any) -> Record:
    legs = ", ".join(str(leg) for leg in plan.spoilt_legs)
    text = f"Started again through the largest field, leg {legs}: {why}" if legs else f"Zero again: {why}"
    data = {
        "why": why,
        "steps": list(plan.steps),
        "legs": list(plan.spoilt_legs),
        "set_aside": {str(number): reason for number, reason in plan.set_aside.items()},
    }
    return Record("restarted", text, data)


def _accepted(
    run: RunRecord, stage: Stage, step: Step, reading: dict[str, Any]
) -> tuple[Any, Any, list[Act]]:
    stage = replace(stage, lift_failures=0)
    doubt = hands.doubt_about_count(run, step, reading["value_kg"])
    if doubt:
        return run, replace(stage, doubt=Doubt(doubt, reading, spacers_wrong=True), task=None), []
    if step["kind"] == "zero":
        stage = replace(stage, zero_void=False)
    acts: list[Act] = [_reading(step, reading)]
    if (check := drift.drift_check(run, step, reading["value_kg"], reading["u_kg"])) is not None:
        acts.append(Record("drift", drift.in_words(check), check))
    return run, stage, acts


def _reading(step: Step, reading: dict[str, Any]) -> Record:
    point = {
        "step": step["step"],
        "kind": step["kind"],
        "leg": step["leg"],
        "gap_m": step["gap_m"],
        "height_m": step["height_m"],
        "spacers": step["spacers"],
        "orientation": step["orientation"],
        "set_aside": None,
        "note": "",
        **reading,
    }
    gram = reading["value_kg"] * 1e3
    place = f" at {step['gap_m'] * 1e3:.2f} mm" if step["gap_m"] is not None else ""
    text = f"{step['kind'].capitalize()}{place}: {gram:.4f} g, u {reading['u_kg'] * 1e6:.2g} mg"
    return Record(step["kind"], text, {"point": point})


def _level(run: RunRecord, stage: Stage, value: float) -> tuple[Any, Any, list[Act]]:
    before = stage.level
    stage = replace(stage, level=value)
    task = stage.task
    if task is None or task.kind != "ask" or task.step is None or task.code == "question":
        return run, stage, []
    if not run.hands_free or not hands.seen(task.code, task.step, run, value, before):
        return run, stage, []
    return run, replace(stage, seen=task.code), [_hands_done(task, "seen by the balance")]


def _hands_done(task: Task, how: str) -> Record:
    assert task.step is not None
    data: dict[str, Any] = {"code": task.code, "how": how}
    if task.code == "remove-sample":
        data["sample_on"] = False
    elif task.code == "place-sample":
        data |= {"sample_on": True, "orientation": task.step["orientation"]}
    elif task.code == "set-spacers":
        data["spacers"] = task.step["spacers"]
    elif task.code == "turn-over":
        data |= {"orientation": task.step["orientation"], "step_done": True}
    return Record("hands", f"Done ({how}): {task.text}", data)


def _asked(run: RunRecord, stage: Stage, asked: Asked) -> tuple[Any, Any, list[Act]]:
    if stage.unrecorded:
        return run, stage, [Refuse("the last step is still being written down; ask again")]
    match asked.what:
        case "hold":
            if run.state != "running":
                return run, stage, [Refuse(f"the run is {run.state}, not running")]
            return run, replace(stage, holding=True), [_held(asked.text or "asked for", "asked")]
        case "stop":
            if run.state in ENDED:
                return run, stage, [Refuse(f"the run is {run.state} already")]
            why = asked.text or "asked for"
            stage = replace(stage, retreat=run.ladder == "lift", retreat_tries=0, doubt=None)
            return run, stage, [Record("stopped", f"Stopped: {why}", {"why": why})]
        case "go-on":
            if run.state != "held":
                return run, stage, [Refuse(f"the run is {run.state}, not held")]
            if not stage.balance_ok:
                return run, stage, [Refuse(f"the balance is not ready: {stage.balance_why}")]
            if run.ladder == "lift" and not stage.lift_ok:
                return run, stage, [Refuse("the lift does not answer")]
            return _go_on(run, replace(stage, lift_failures=0, person_first=False))
        case "repeat":
            return _repeat(run, stage)
        case "confirm":
            return _confirm(run, stage, asked.text, asked.code)


def _go_on(run: RunRecord, stage: Stage) -> tuple[Any, Any, list[Act]]:
    """Take a held run up again, after looking at zero, position and history."""
    acts: list[Act] = []
    last = run.last("point")
    stood = last["height_m"] if last is not None else None
    step = run.next_step
    here = (stood, step["height_m"] if step is not None else None)
    leaving = stage.task is not None and stage.task.kind in ("retreat", "establish")
    now = stage.height if stage.height is not None else -1.0
    near = any(h is not None and abs(now - h) < SAME_HEIGHT for h in here)
    moved = leaving or not stage.lift_known or not near
    why = stage.interrupted or run.why
    plan = restart(run, why, need_zero=stage.zero_void, moved=moved)
    if plan is not None:
        acts.append(_restarted(why, plan))
    acts.append(Record("went-on", "The run goes on.", {}))
    stage = replace(stage, interrupted="", doubt=None, unsettled=None, retreat=False, zero_void=False)
    return run, stage, acts


def _repeat(run: RunRecord, stage: Stage) -> tuple[Any, Any, list[Act]]:
    task = stage.task
    if task is not None and task.kind == "read":
        fresh = replace(task, serial=stage.serial + 1)
        return run, replace(stage, task=fresh, serial=fresh.serial), [Do(fresh)]
    last = run.points[-1] if run.points else None
    step = run.steps[run.done - 1] if run.done else None
    if last is None or step is None or last["step"] != step["step"] or run.state in ENDED:
        return run, stage, [Refuse("there is no reading to take once more")]
    if run.ladder == "lift":
        there = stage.height is not None and last["height_m"] is not None
        if not there or abs((stage.height or 0.0) - (last["height_m"] or 0.0)) > SAME_HEIGHT:
            return run, stage, [Refuse("the lift has moved on; going back would spoil the branch")]
        if task is not None and task.kind == "approach":
            return run, stage, [Refuse("the lift is moving on; going back would spoil the branch")]
    elif run.sample_on is not (last["kind"] == "point"):
        return run, stage, [Refuse("the sample has been moved since; the reading belongs to its own zero")]
    data = {
        "why": "taken again",
        "steps": list(again(run, step)),
        "set_aside": {str(last["id"]): "taken again"},
    }
    return run, stage, [Record("restarted", "The last reading is taken again.", data)]


def _confirm(
    run: RunRecord, stage: Stage, choice: str | None, code: str | None
) -> tuple[Any, Any, list[Act]]:
    if run.state == "held" and stage.unsettled is not None:
        return _unsettled(run, stage, stage.unsettled, choice)
    task = stage.task
    asked = task.code if task is not None and task.kind == "ask" else None
    if code is not None and code != asked:
        if code == stage.seen:
            return run, stage, []  # the balance showed it before the person said it
        return run, stage, [Refuse(f"{code} is not what is asked for now")]
    if task is None or task.kind != "ask" or task.step is None:
        return run, stage, [Refuse("nothing is being asked")]
    if task.code != "question" or stage.doubt is None:
        return run, stage, [_hands_done(task, "said by the person")]
    doubt = stage.doubt
    stage = replace(stage, doubt=None)
    if choice == AS_IT_IS:
        return run, stage, [_reading(task.step, doubt.reading)]
    if choice != ONCE_MORE:
        stage = replace(stage, doubt=doubt)
        return run, stage, [Refuse(f"answer {AS_IT_IS!r} or {ONCE_MORE!r}")]
    acts: list[Act] = []
    if doubt.spacers_wrong:
        plan = restart(run, doubt.text, need_zero=True, moved=False)
        if plan is not None:
            acts.append(_restarted("the spacers are counted again", plan))
        acts.append(Record("hands", "The spacers are counted again.", {"spacers": None}))
    return run, stage, acts


def _unsettled(
    run: RunRecord, stage: Stage, reading: dict[str, Any], choice: str | None
) -> tuple[Any, Any, list[Act]]:
    """A reading noisier than wanted: taken with its own uncertainty only where a person says so."""
    step = run.next_step
    if choice not in (AS_IT_IS, ONCE_MORE) or step is None:
        return run, stage, [Refuse(f"answer {AS_IT_IS!r} or {ONCE_MORE!r}")]
    if choice == ONCE_MORE:
        return _go_on(run, stage)
    run, after, acts = _go_on(run, stage)
    if len(acts) > 1:  # the zero is to be read again, or the branch begun again: then it is worth nothing
        return run, stage, [Refuse("the bench has changed since; take it once more")]
    return run, after, [_reading(step, reading), *acts]


def resumed(run: RunRecord, why: str) -> Stage:
    """The stage of a run found in the store: nothing of the bench is known, its zero neither."""
    return Stage(zero_void=True, interrupted=why if under_way(run) else "")
