"""What a reading should be by what the run has read so far: by its pair, or by the branch carried on."""

from __future__ import annotations

from ..protocol import Point, Step
from .branch_check import on_its_passage
from .manual_steps import pull_at, readings_of, two_passages_before
from .run import RunRecord
from .settings import BRANCH, BY_THE_PLAN, BY_THE_PULL, PAIR, SAME_PLACE


def expected_reading(run: RunRecord | None, step: Step | None) -> tuple[float, float] | None:
    """The reading (kg) predicted for a step, and its standard uncertainty; None where nothing predicts it."""
    zero = run.zero if run is not None else None
    if run is None or step is None or step["kind"] != "point" or zero is None:
        return None
    pull = (None if run.single else _by_its_pair(run, step)) or _by_the_branch(run, step)
    return (zero.value + pull[0], pull[1]) if pull is not None else None


def _by_its_pair(run: RunRecord, step: Step) -> tuple[float, float] | None:
    """The same place two passages before, turned over: by the loop's symmetry the pull comes back."""
    gap = step["gap_m"]
    if gap is None:
        return None
    for p in two_passages_before(run, step):
        if p["gap_m"] is not None and abs(p["gap_m"] - gap) < SAME_PLACE and on_its_passage(run, p):
            pull = pull_at(run, p)
            return (pull, PAIR * abs(pull)) if pull is not None else None
    return None


def _by_the_branch(run: RunRecord, step: Step) -> tuple[float, float] | None:
    """Measured over planned pull, carried on from the last two points of the same passage."""
    planned = {s["step"]: s["predicted_reading_kg"] for s in run.every_step}
    ratios = []
    for p in readings_of(run, step["leg"]):
        pull, plan = pull_at(run, p), planned.get(p["step"])
        if pull is not None and plan:
            ratios.append(pull / plan)
    plan = step["predicted_reading_kg"]
    if len(ratios) < 2 or not plan:
        return None
    change = ratios[-1] - ratios[-2]
    return plan * (ratios[-1] + change), abs(plan) * (abs(change) + BRANCH * abs(ratios[-1]))


def least_change(run: RunRecord | None, step: Step | None) -> float:
    """The least by which a reading must differ from the one before it, kg; 0 where none need be seen.

    Between two gaps the pull changes with the field's gradient even if the sample keeps its magnetisation; a
    zero differs from the reading before it by that pull.
    """
    if run is None or step is None or not run.points:
        return 0.0
    last = run.points[-1]
    if step["kind"] == "zero" or last["kind"] == "zero":
        if step["kind"] == last["kind"]:
            return 0.0
        known = pull_at(run, last) if last["kind"] == "point" else None
        return abs(known) / 2 if known is not None else BY_THE_PLAN * _scale(run) * abs(_planned(step))
    if last["orientation"] != step["orientation"]:
        return 0.0
    here, there = _gradient(run, last), _gradient(run, step)
    pull = pull_at(run, last)
    if pull is None or not here or not there:
        return 0.0
    kept = BY_THE_PULL * abs(pull) * abs(there / here - 1.0)
    return max(kept, BY_THE_PLAN * _scale(run) * abs(there - here))


def _planned(step: Step) -> float:
    return step["predicted_reading_kg"] or 0.0


def _scale(run: RunRecord) -> float:
    """The largest ratio of a measured pull to the planned one so far, at most 1; half before there is any."""
    planned = {s["step"]: s["predicted_reading_kg"] for s in run.every_step}
    ratios = [
        abs(pull / plan)
        for p in run.points
        if p["kind"] == "point" and (plan := planned.get(p["step"])) and (pull := pull_at(run, p)) is not None
    ]
    return min(1.0, max(ratios, default=0.5))


def _gradient(run: RunRecord, place: Step | Point) -> float:
    """The planned pull of the saturated sample at a place, kg: on the way out; 0 where unknown."""
    if run.programme:  # its ways out begin in any state
        full = (s.get("saturated_reading_kg") or 0.0 for s in run.plan if _place(s) == _place(place))
        return max(map(abs, full), default=0.0)
    here = {
        s["leg"]: abs(_planned(s))
        for s in run.every_step
        if s["kind"] == "point" and _place(s) == _place(place)
    }
    return here.get(1) or here.get(0) or max(here.values(), default=0.0)


def _place(place: Step | Point) -> tuple[float | None, int | None]:
    return place["height_m"], place["spacers"]
