"""What the bench should be doing now, and the same in words for a person. Pure.

Lift and spacers go one way: the sample is handled where it may be, the gap is set, the reading is taken.
With a lift the sample is handled at the far end, by a person or by the turner; spacers are set by the person,
the sample away, and each point has a zero with its own.
"""

from __future__ import annotations

from ..frozen import replace
from ..protocol import Action, ActionCode, Step
from ..text import number
from .events import BenchState, Task
from .manual_steps import could_see
from .run import ENDED, RunRecord
from .settings import SAME_PLACE

AS_IT_IS, ONCE_MORE = "take as it is", "once more"


def next_task(run: RunRecord, stage: BenchState) -> Task | None:
    """What the bench should be doing now. ``None``: nothing, or the run is over."""
    lift = run.ladder == "lift"
    if lift and stage.retreat:
        if stage.lift_known:
            return None if stage.at_far_end else Task("retreat")
        # Homing always drives away from the magnet, so it is a retreat as well.
        return Task("establish") if stage.lift_ok and stage.retreat_tries < 2 else None
    step = run.next_step
    if run.state != "running":
        return None
    if step is None:
        return _coil_done(run, stage) if run.coil else _confirm(run, stage)
    if stage.doubt is not None:
        return Task("ask", step=step, code="question", text=stage.doubt.text)
    if lift and not stage.lift_known:
        return Task("establish")
    return _towards(run, stage, step)


def _towards(run: RunRecord, stage: BenchState, step: Step) -> Task | None:
    """The next thing on the way to the step."""
    if run.coil:
        return _with_coil(run, stage, step)
    if run.turner and step["kind"] != "zero":
        return _with_turner(run, stage, step)
    wanted = step["kind"] == "point"
    handled = run.sample_on is wanted and (not wanted or run.orientation == step["orientation"])
    if run.spacers_with_sample and wanted:
        handled = handled and run.spacers == step["spacers"]
    if run.ladder == "lift" and not stage.at_far_end and not (wanted and handled):
        return Task("retreat")
    if not handled:
        return _ask("place-sample" if wanted else "remove-sample", step, run)
    if step["kind"] == "turn":
        return _ask("turn-over", step, run)
    if run.ladder == "lift" and step["kind"] == "zero" and run.unchecked:
        return Task("establish")  # the sample is away: did the lift lose steps since it was homed last?
    setting = _setting(run, stage, step)
    if setting is None and run.waits == step["step"]:
        return None
    return setting or Task("read", step=step)


def _with_turner(run: RunRecord, stage: BenchState, step: Step) -> Task:
    """The sample stays in its blade; it is turned at the far end only, and after a homing."""
    turning = step["kind"] == "turn" or stage.orientation != step["orientation"]
    if (turning or not run.sample_on) and not stage.at_far_end:
        return Task("retreat")
    if not run.sample_on:
        return _ask("place-sample", {**step, "orientation": stage.orientation or 1}, run)
    if turning and stage.closed:
        return Task("establish")  # turned only where the homing shows that it is high enough
    if turning:
        return Task("turn", step=step)
    return _setting(run, stage, step) or Task("read", step=step)


def _with_coil(run: RunRecord, stage: BenchState, step: Step) -> Task:
    """The coil is handled at the far end, or with the spacers; at its gap its current is set."""
    placed = run.sample_on and run.orientation == step["orientation"]
    seated = "seat_m" not in step or run.seat_m == step["seat_m"]
    if run.ladder == "lift" and not (placed and seated) and not stage.at_far_end:
        return Task("establish" if run.unchecked else "retreat")
    if run.ladder == "spacers" and run.sample_on and not (placed and run.spacers == step["spacers"]):
        return _ask("remove-sample", step, run)
    if not placed:
        return _ask("place-sample", step, run)
    if not seated:
        return _ask("move-seat", step, run)
    return _setting(run, stage, step) or _current(run, stage, step) or Task("read", step=step)


def _coil_done(run: RunRecord, stage: BenchState) -> Task | None:
    """After its last reading: the current off, and a homing that confirms the heights."""
    if not run.steps:
        return None
    if (confirm := _confirm(run, stage)) is not None:
        return confirm
    by_hand = run.current_A and not run.source  # a motion has switched the lift's off
    return _current(run, stage, {**run.steps[-1], "current_A": 0.0}) if by_hand else None


def _confirm(run: RunRecord, stage: BenchState) -> Task | None:
    """After the last reading: a homing that confirms the heights gone to since the last one."""
    there = run.ladder == "lift" and not run.single and stage.closed and run.unchecked
    return Task("establish") if there else None


def _current(run: RunRecord, stage: BenchState, step: Step) -> Task | None:
    """What sets the coil's current; None where it is set."""
    wanted = step.get("current_A")
    if run.source:
        return None if stage.current == wanted else Task("current", step=step)
    return None if run.current_asked_A == wanted else _ask("set-current", step, run)


def _setting(run: RunRecord, stage: BenchState, step: Step) -> Task | None:
    """The move that sets the step's gap; None where it is set: a lift under the sample, spacers without."""
    if run.ladder == "lift":
        height = step["height_m"] if step["kind"] == "point" else None
        there = height is None or (stage.height is not None and abs(stage.height - height) <= SAME_PLACE)
        return None if there else Task("approach", height=height, step=step)
    if step["kind"] == "point" or run.spacers_with_sample or run.spacers == step["spacers"]:
        return None
    return Task("approach", _height(run, step), step, "set-spacers", _words("set-spacers", step, run))


def _height(run: RunRecord, step: Step) -> float | None:
    """The height of the step's spacers, m: as the plan's points have it."""
    every = run.every_step
    same = (s["height_m"] for s in every if s["spacers"] == step["spacers"] and s["height_m"] is not None)
    return next(same, None)


def _ask(code: ActionCode, step: Step, run: RunRecord) -> Task:
    return Task("ask", step=step, code=code, text=_words(code, step, run))


def _words(code: ActionCode, step: Step, run: RunRecord) -> str:
    side = "marked face up" if step["orientation"] > 0 else "marked face down"
    texts: dict[ActionCode, str] = {
        "remove-sample": f"Take {run.sample} off its holder.",
        "place-sample": _placing(run, step, side),
        "turn-over": f"Turn {run.sample} over: it goes on with its {side}; keep it away for now.",
        "set-spacers": f"Set {_spacers(step)}{_change(run, step)}, the sample away{_reason(step)}.",
        "set-current": _supply(step.get("current_A", 0.0)),
        "move-seat": _aside(step),
    }
    return texts[code]


def _supply(current: float) -> str:
    if current == 0.0:
        return "Switch the coil's current off."
    return f"Set the coil's current to {milliamps(current)} mA."


def _aside(step: Step) -> str:
    x, y = (_hundredths(1e3 * at) if at else "0" for at in step.get("seat_m", (0.0, 0.0)))
    return f"Move the coil's seat to x = {x} mm, y = {y} mm."


def milliamps(current: float) -> str:
    """A current (A) in mA with its sign, to a hundredth where that is more than zeros."""
    return _hundredths(current * 1e3)


def _hundredths(value: float) -> str:
    return number(value, "+.2f").rstrip("0").rstrip(".")


def _spacers(step: Step) -> str:
    return f"{step['spacers']} spacer{'' if step['spacers'] == 1 else 's'}"


def _change(run: RunRecord, step: Step) -> str:
    """By how many the spacers change, where nobody can read that off a list of the whole plan."""
    change = 0 if run.spacers is None or not run.few else (step["spacers"] or 0) - run.spacers
    return "" if not change else f" (take out {-change})" if change < 0 else f" (put {change} back)"


def _reason(step: Step) -> str:
    return f": {why}" if (why := step.get("why")) else ""


def _placing(run: RunRecord, step: Step, side: str) -> str:
    """How the sample goes on: with the turn and the spacers, where they are not asked for by themselves."""
    known, right = run.orientation is not None, run.orientation == step["orientation"]
    if run.sample_on and not right:
        return f"Take {run.sample} off, turn it over and put it on again, {side}."
    words = f"put {run.sample} on its holder, {side}."
    if known and not right:
        words = f"turn {run.sample} over and put it on its holder, {side}."
    if run.spacers_with_sample and run.spacers != step["spacers"]:
        return f"Set {_spacers(step)}{_change(run, step)}, then {words[:-1]}{_reason(step)}."
    return words[0].upper() + words[1:]


def _hint(run: RunRecord, task: Task) -> str:
    """How it is known that the person has done the task, but for a key; empty where only a key tells."""
    if not run.hands_free or run.ladder == "lift" or task.step is None or task.code == "question":
        return ""
    if not could_see(task.code, task.step, run):
        return "tap the pan twice when done"
    if task.code == "set-spacers" and "spacer_mass_kg" not in run.limits:
        return "re-zero when done, or tap the pan twice"
    return "the balance notices; or tap the pan twice"


def as_seen(run: RunRecord, stage: BenchState) -> RunRecord:
    """The run as the bench has it: it is held as soon as it holds, before that could be written down."""
    if run.state == "running" and stage.holding:
        return replace(run, state="held", why=stage.hold_why)
    return run


def action_of(run: RunRecord, stage: BenchState) -> Action:
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
        "hint": "",
        "sets_spacers": False,
    }
    if run.state == "held" and stage.unsettled is not None:
        why = run.why if run.why.endswith("?") else f"{run.why}."
        text = f"Held: {why} Take it with ± {stage.unsettled['u_kg'] * 1e6:.2g} mg, or once more?"
        choices = [AS_IT_IS, ONCE_MORE]
        return {**action, "code": "question", "text": text, "needs_confirm": True, "choices": choices}
    if run.single and run.state == "running" and task is None and not stage.unrecorded:
        return {**action, "text": "The script says what comes next.", "ready": True}
    if task is None or stage.confirmed_by or run.state in ENDED:
        words = {
            "held": f"Held: {run.why}. Go on when it is put right.",
            "finished": "The run is finished.",
            "stopped": f"The run was stopped: {run.why}.",
            "planned": "The run waits for its start.",
            "running": "A moment: the last step is being written down.",
        }
        return {**action, "text": words[run.state]}
    if task.by_hand:
        question = task.code == "question"
        choices = [AS_IT_IS, ONCE_MORE] if question else []
        count = task.sets_by_hand or (task.code == "place-sample" and run.spacers_with_sample)
        if task.code == "set-current" and task.step is not None:
            action["current_A"] = task.step.get("current_A", 0.0)
        asked: Action = {**action, "code": task.code, "text": task.text, "needs_confirm": True}
        return {**asked, "choices": choices, "hint": _hint(run, task), "sets_spacers": count}
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
        "turn": f"The lift turns {run.sample} over.",
        "current": "The lift switches the coil's current.",
    }
    return {**action, "code": "wait-move", "text": texts[task.kind]}
