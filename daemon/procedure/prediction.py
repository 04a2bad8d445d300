"""What a reading should be by what the run has read so far: by its pair, or by the branch carried on."""

from __future__ import annotations

from ..protocol import Step
from .manual_steps import pull_at
from .run import RunRecord

#: How well a passage repeats the one of two passages before, and how well a branch follows the plan at best.
PAIR, BRANCH = 0.02, 0.05
#: Gaps that differ by less than this (m) are the same.
SAME_GAP = 5e-6


def expected_reading(run: RunRecord | None, step: Step | None) -> tuple[float, float] | None:
    """The reading (kg) predicted for a step, and its standard uncertainty; None where nothing predicts it."""
    zero = run.last("zero") if run is not None else None
    if run is None or step is None or step["kind"] != "point" or zero is None:
        return None
    pull = _by_its_pair(run, step) or _by_the_branch(run, step)
    return (zero["value_kg"] + pull[0], pull[1]) if pull is not None else None


def _by_its_pair(run: RunRecord, step: Step) -> tuple[float, float] | None:
    """The same place two passages before, turned over: by the loop's symmetry the pull comes back."""
    gap = step["gap_m"]
    if step["leg"] < 3 or gap is None:
        return None  # two passages before was the first curve
    for p in run.points:
        if p["kind"] != "point" or p["leg"] != step["leg"] - 2 or p["set_aside"] is not None:
            continue
        if p["gap_m"] is not None and abs(p["gap_m"] - gap) < SAME_GAP:
            pull = pull_at(run, p)
            return (pull, PAIR * abs(pull)) if pull is not None else None
    return None


def _by_the_branch(run: RunRecord, step: Step) -> tuple[float, float] | None:
    """Measured over planned pull, carried on from the last two points of the same passage."""
    planned = {s["step"]: s["predicted_reading_kg"] for s in run.plan}
    ratios = []
    for p in run.points:
        if p["kind"] == "point" and p["leg"] == step["leg"] and p["set_aside"] is None:
            pull, plan = pull_at(run, p), planned.get(p["step"])
            if pull is not None and plan:
                ratios.append(pull / plan)
    plan = step["predicted_reading_kg"]
    if len(ratios) < 2 or not plan:
        return None
    change = ratios[-1] - ratios[-2]
    return plan * (ratios[-1] + change), abs(plan) * (abs(change) + BRANCH * abs(ratios[-1]))
