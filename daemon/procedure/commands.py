"""A person's word to the procedure: hold, go on, stop, confirm, repeat. Pure.

Each answers with the run and the stage after it and what must be done; what is not possible is refused.
"""

from __future__ import annotations

import re
from typing import Any

from ..frozen import replace
from . import single_steps
from .events import Act, Asked, BenchState, Confirm, Do, Record, Refuse, Task
from .log_entries import hands_done, held, reading_of, restarted
from .next_task import AS_IT_IS, ONCE_MORE
from .restart import again, restart
from .run import ENDED, RunRecord
from .settings import CURRENT_OFF, SAME_PLACE

Outcome = tuple[RunRecord, BenchState, list[Act]]


def answer(run: RunRecord, stage: BenchState, asked: Asked) -> Outcome:
    """What follows from a person's word."""
    if asked.what == "hold" and run.state == "running" and not stage.ending:
        if stage.holding:
            return run, stage, []
        return run, replace(stage, holding=True), [held(asked.text or "asked for", "asked")]
    if asked.what == "stop" and stage.unrecorded and run.state not in ENDED and not stage.ending:
        return run, replace(stage, stopping=asked.text or "asked for"), []
    if stage.unrecorded:
        return run, stage, [Refuse("the last step is still being written down; ask again")]
    match asked.what:
        case "hold":
            return run, stage, [Refuse(f"the run is {run.state}, not running")]
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
            return go_on(run, replace(stage, lift_failures=0, person_first=False))
        case "repeat":
            return _repeat(run, stage)
        case "gap" | "reading" | "zero" | "finish":
            return run, stage, single_steps.answer(run, stage, asked)
        case "confirm":
            return _confirm(run, stage, asked.text, asked.code)


def by_hand(run: RunRecord, stage: BenchState, task: Task, how: str) -> Outcome:
    """The person has done what was asked; where a gap was set, its setter hears of it and answers."""
    if task.kind == "ask":
        return run, stage, [hands_done(run, task, how)]
    if stage.confirmed_by:
        return run, stage, []  # the setter has heard of it already
    return run, replace(stage, confirmed_by=how), [Confirm(task)]


def go_on(run: RunRecord, stage: BenchState, by: str = "a person") -> Outcome:
    """Take a held run up again, after looking at zero, position and history."""
    acts: list[Act] = []
    last = run.last("point")
    stood = last["height_m"] if last is not None else None
    step = run.next_step
    here = (stood, step["height_m"] if step is not None else None)
    leaving = stage.task is not None and stage.task.kind in ("retreat", "establish")
    now = stage.height if stage.height is not None else -1.0
    near = any(h is not None and abs(now - h) < SAME_PLACE for h in here)
    moved = leaving or not stage.lift_known or not near
    why = stage.interrupted or run.why
    plan = restart(run, why, need_zero=stage.zero_void, moved=moved, compare=stage.compare)
    if plan is not None:
        acts.append(restarted(why, plan))
    acts.append(Record("went-on", "The run goes on.", {"by": by}))
    stage = replace(stage, interrupted="", doubt=None, unsettled=None, retreat=False)
    return run, stage, acts


def _repeat(run: RunRecord, stage: BenchState) -> Outcome:
    task = stage.task
    if run.single:
        return run, stage, [Refuse("a script takes its readings: it can ask for another at the same gap")]
    if task is not None and task.kind == "read":
        fresh = replace(task, serial=stage.serial + 1)
        return run, replace(stage, task=fresh, serial=fresh.serial), [Do(fresh)]
    last = run.points[-1] if run.points else None
    step = run.steps[run.done - 1] if run.done else None
    if last is None or step is None or last["step"] != step["step"] or run.state in ENDED:
        return run, stage, [Refuse("there is no reading to take once more")]
    if run.ladder == "lift":
        there = stage.height is not None and last["height_m"] is not None
        if not there or abs((stage.height or 0.0) - (last["height_m"] or 0.0)) > SAME_PLACE:
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


def _confirm(run: RunRecord, stage: BenchState, choice: str | None, code: str | None) -> Outcome:
    if run.state == "held" and stage.unsettled is not None:
        return _unsettled(run, stage, stage.unsettled, choice)
    task = stage.task
    asked = task.code if task is not None and task.by_hand else None
    if code is not None and code != asked:
        if code == stage.seen:
            return run, stage, []  # the balance showed it before the person said it
        return run, stage, [Refuse(f"{code} is not what is asked for now")]
    if task is None or not task.by_hand or task.step is None:
        return run, stage, [Refuse("nothing is being asked")]
    if task.code == "set-current" and choice:
        return _current_read(run, stage, task, choice)
    if task.code != "question" or stage.doubt is None:
        return by_hand(run, stage, task, "said by the person")
    doubt = stage.doubt
    stage = replace(stage, doubt=None)
    if choice == AS_IT_IS:
        return run, stage, [reading_of(run, task.step, doubt.reading)]
    if choice != ONCE_MORE:
        stage = replace(stage, doubt=doubt)
        return run, stage, [Refuse(f"answer {AS_IT_IS!r} or {ONCE_MORE!r}")]
    acts: list[Act] = []
    if doubt.spacers_wrong:
        plan = restart(run, doubt.text, need_zero=True, moved=False)
        if plan is not None:
            acts.append(restarted("the spacers are counted again", plan))
        acts.append(Record("hands", "The spacers are counted again.", {"spacers": None}))
    if doubt.current_wrong:
        acts.append(Record("hands", "The coil's current is set once more.", {"current_asked_A": None}))
    if doubt.turn_missed:
        acts.append(Record("hands", f"{run.sample} is turned over once more.", {"orientation": None}))
    return run, stage, acts


def _current_read(run: RunRecord, stage: BenchState, task: Task, words: str) -> Outcome:
    """The current as a meter shows it, in place of the one that was asked for."""
    asked = task.step.get("current_A", 0.0) if task.step is not None else 0.0
    found = re.fullmatch(r"([+-]?\d+(?:\.\d*)?) ?(mA|A)", words.strip().replace("\N{MINUS SIGN}", "-"))
    if found is None:
        return run, stage, [Refuse(f"{words!r} is no current such as {asked * 1e3:+.2f} mA")]
    current = float(found[1]) / (1e3 if found[2] == "mA" else 1.0)
    if abs(current - asked) > CURRENT_OFF * abs(asked):
        why = f"{current * 1e3:+.2f} mA is not the {asked * 1e3:+.2f} mA that was asked for: set it again"
        return run, stage, [Refuse(why)]
    how = f"said by the person, the meter shows {words.strip()}"
    return run, stage, [hands_done(run, task, how, current)]


def _unsettled(run: RunRecord, stage: BenchState, reading: dict[str, Any], choice: str | None) -> Outcome:
    """A reading noisier than wanted: taken with its own uncertainty only where a person says so."""
    step = run.next_step
    if choice not in (AS_IT_IS, ONCE_MORE) or step is None:
        return run, stage, [Refuse(f"answer {AS_IT_IS!r} or {ONCE_MORE!r}")]
    if choice == ONCE_MORE:
        return go_on(run, stage)
    run, after, acts = go_on(run, stage)
    if len(acts) > 1:  # the zero is to be read again, or the branch begun again: then it is worth nothing
        return run, stage, [Refuse("the bench has changed since; take it once more")]
    return run, after, [reading_of(run, step, reading), *acts]
