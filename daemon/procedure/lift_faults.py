"""What the end of a move of the lift means for the run: homings, lost steps, a lost position. Pure."""

from __future__ import annotations

from ..frozen import replace
from ..text import number
from .commands import Outcome
from .events import Act, BenchState, Record, Task
from .log_entries import held, restarted, set_aside, turned
from .restart import restart, unconfirmed
from .run import RunRecord
from .settings import LIFT_TRIES, LOST_TOLERATED, MOST_RESETS


def going(run: RunRecord, stage: BenchState) -> bool:
    """Whether the run is running and no hold is on its way into the log."""
    return run.state == "running" and not stage.holding


def void(stage: BenchState) -> BenchState:
    return replace(
        stage, lift_known=False, height=None, at_far_end=False, orientation=None, closed=True, current=None
    )


def stands(run: RunRecord, stage: BenchState, task: Task, lost: float | None) -> Outcome:
    """What a move that ended where it should is good for."""
    if task.kind == "establish":
        return _homed(run, stage, lost)
    if task.kind == "turn":
        return run, stage, [turned(run, task)]
    if run.turner and task.kind == "approach" and task.step and stage.orientation != task.step["orientation"]:
        return lift_lost(run, stage, "the angle of its turner is not confirmed", "reset", unconfirmed=False)
    return run, stage, []


def _homed(run: RunRecord, stage: BenchState, lost: float | None) -> Outcome:
    """Homing tells whether steps were lost: then the readings since the last one stand at other gaps."""
    if lost is None:
        return _uncounted(run, stage)
    found = f"the lift stood {number(lost * 1e3, '+.3f')} mm from where it was thought to be"
    acts: list[Act] = [Record("homed", f"Homed: {found}." if lost else "Homed.", {"lost_m": lost})]
    if abs(lost) <= LOST_TOLERATED or not run.unchecked:
        return run, stage, acts
    why = f"steps were lost: {found}"
    acts += set_aside(run.unchecked, why)
    if not going(run, stage):
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
    acts += set_aside(run.unchecked, why)
    if plan is not None and going(run, stage):
        acts.append(restarted(why, plan))
    elif run.state == "held":
        stage = replace(stage, interrupted=why)
    return run, stage, acts


def homing(stage: BenchState) -> bool:
    """Whether a homing is under way: it is to confirm what was read since the one before."""
    return stage.task is not None and stage.task.kind == "establish"


def lift_lost(run: RunRecord, stage: BenchState, why: str, kind: str, *, unconfirmed: bool) -> Outcome:
    """The position is void. After a reset the branch is begun again by itself, a few times in a row.

    ``unconfirmed``: the homing that should have confirmed the last readings' heights failed; where it is not
    tried again, they are set aside.
    """
    failures = stage.lift_failures + 1
    stage = replace(void(stage), lift_failures=failures, lift_ok=kind != "gone")
    if kind not in ("reset", "gone") or (kind == "gone" and not run.unattended):
        stage = replace(stage, person_first=True)
    if kind == "button":
        stage = replace(stage, retreat=False)
    if stage.task is not None and stage.task.kind in ("approach", "turn", "current"):
        stage = replace(stage, task=None)
    if not going(run, stage) or run.ladder != "lift":
        return run, stage, []
    reason = f"the lift: {why}"
    often = run.resets >= MOST_RESETS
    if kind == "reset" and often:
        reason = f"{reason}; it was reset {run.resets + 1} times in this run: look at its supply and cable"
    if kind != "reset" or failures >= LIFT_TRIES or often:
        far = kind in ("reset", "fault")
        stage = replace(stage, interrupted=reason, retreat=far, retreat_tries=0, holding=True)
        aside = set_aside(run.unchecked, f"no homing confirmed its height: {why}") if unconfirmed else []
        return run, stage, [*aside, held(reason, "lift")]
    plan = restart(run, reason, need_zero=stage.zero_void, moved=True)
    if plan is None:
        return run, stage, []
    return run, stage, [restarted(reason, plan, "lift")]
