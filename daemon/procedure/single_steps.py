"""A run by single steps: a script says gap by gap where to go and when to read.

Each word becomes a step of the run, written down like a planned one and done by the same machine with the
same checks: a zero first, one way on a branch, the balance seen to answer the move, no reading that began
before it. To turn back on a branch has to be said.
"""

from __future__ import annotations

from typing import Any, cast

from ..frozen import replace
from ..protocol import Step
from .events import Act, Asked, BenchState, Record, Refuse
from .plan import RunPlan, bare_step, make_plan
from .run import RunRecord
from .settings import MOST_STEPS, SAME_PLACE

#: The passages by orientation and way, as a planned loop counts them; the very first is 0.
_LEGS = {(1, "in"): 4, (1, "out"): 1, (-1, "in"): 2, (-1, "out"): 3}
_INWARD = (0, 2, 4)


def plan_of_none(bench_text: str, target_u: float | None = None) -> RunPlan:
    """A run without steps, on a bench whose whole travel is safe. Raises as ``make_plan``, and NotPossible
    for a bench without a lift."""
    from ...analysis.errors import NotPossible

    plan = make_plan(bench_text, 2, target_u)
    if plan.bench.gap.ladder != "lift":
        raise NotPossible("single steps need a lift: with spacers a person sets the gaps of a planned run")
    return replace(plan, steps=(), seconds=0.0, single=True)


def step_at(bench_text: str, gap: float, orientation: int) -> Step:
    """The step to ``gap`` (m), the sample turned as ``orientation`` says. Raises InputError for a gap out of
    the lift's reach. The heavy libraries are first loaded here."""
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.planning.one_gap import height_of, prediction_at

    bench = parse_bench(bench_text)
    height = height_of(bench, gap)
    set_gap = bench.gap.at_height(height)
    H_applied, reading = prediction_at(bench, set_gap)
    return {
        "step": 0,
        "kind": "point",
        "leg": 0,
        "gap_m": set_gap,
        "height_m": height,
        "spacers": None,
        "orientation": orientation,
        "H_applied_A_per_m": orientation * H_applied,
        "predicted_reading_kg": reading,
    }


def answer(run: RunRecord, stage: BenchState, asked: Asked) -> list[Act]:
    """What follows from a script's word: "gap", "reading", "zero" or "finish"."""
    step, last = run.next_step, run.steps[-1] if run.steps else None
    waits = step is not None and run.waits == step["step"]
    at_gap = last if last is not None and last["kind"] == "point" else None
    if not run.single:
        return [Refuse(f"run {run.id} goes by its plan, not by single steps")]
    if run.state != "running":
        return [Refuse(f"the run is {run.state}{': ' + run.why if run.why else ''}")]
    if step is not None and not (waits and stage.task is None):
        return [Refuse("the last step is still under way")]
    if len(run.steps) >= MOST_STEPS and asked.what != "finish":
        return [Refuse(f"a run by single steps has at most {MOST_STEPS}: finish it, then begin another")]
    if asked.what == "reading":
        if at_gap is None:
            return [Refuse("the sample stands at no gap: say to which it is to go")]
        return [_asked(run, () if waits else (at_gap,), "A reading is asked for.", {})]
    if asked.what == "gap":
        return _to_gap(run, cast(Step, asked.step), at_gap, last, asked.turn_back)
    finish = asked.what == "finish"
    if at_gap is not None and at_gap["leg"] in _INWARD and not (finish or asked.turn_back):
        return [_back("the far end, where a zero is read,", at_gap)]
    text = "The run is to end." if finish else "A zero is asked for."
    like = at_gap if at_gap is not None or finish else last
    steps = () if like is None else (bare_step("zero", like),)
    if not finish and not steps:
        return [Refuse("the run's first step is to a gap; its zero is read on the way")]
    return [_asked(run, steps, text, {"passed": waits, "finish": finish})]


def _to_gap(run: RunRecord, to: Step, here: Step | None, last: Step | None, turn_back: bool) -> list[Act]:
    """The steps to a gap: along the branch, or from the far end after a zero."""
    orientation = to["orientation"]
    before: list[str] = []
    if here is not None and here["orientation"] == orientation:
        change = cast(float, to["gap_m"]) - cast(float, here["gap_m"])
        inward = here["leg"] in _INWARD if abs(change) < SAME_PLACE else change < 0
        kept = inward == (here["leg"] in _INWARD)
        if not kept and not turn_back:
            return [_back(f"{cast(float, to['gap_m']) * 1e3:.2f} mm", here)]
        leg = here["leg"] if kept else _LEGS[orientation, "in" if inward else "out"]
    else:
        if here is not None and here["leg"] in _INWARD and not turn_back:
            return [_back("the far end, where the sample is turned over,", here)]
        leg = 0 if last is None and orientation > 0 else _LEGS[orientation, "in"]
        if last is None or here is not None:
            before.append("zero")
        if last is not None and last["orientation"] != orientation:
            before.append("turn")
    goal = cast(Step, {**to, "leg": leg})
    steps = (*(bare_step(kind, goal) for kind in before), goal)
    words = f"Asked to go to {cast(float, to['gap_m']) * 1e3:.2f} mm."
    return [_asked(run, steps, words, {"passed": run.next_step is not None}, wait=True)]


def _back(where: str, here: Step) -> Refuse:
    gap = cast(float, here["gap_m"]) * 1e3
    return Refuse(f"{where} lies back from {gap:.2f} mm on this branch: say turn_back to begin another")


def _asked(
    run: RunRecord, steps: tuple[Step, ...], text: str, more: dict[str, Any], *, wait: bool = False
) -> Record:
    """More steps of the run. ``wait``: the last of them is read when that is asked for."""
    start = max((step["step"] for step in run.steps), default=0) + 1
    fresh = [{**step, "step": start + i} for i, step in enumerate(steps)]
    return Record("asked", text, {"steps": fresh, "waits": fresh[-1]["step"] if wait else 0, **more})
