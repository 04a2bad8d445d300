"""What of a branch is spoilt when the sample's history was broken, and how to begin it again.

A hysteresis branch is a path: the field may only go one way on it. After a lost position, a
homing in mid-branch or a broken run the readings already taken stay in the store, marked, and
the branch is walked again from the far end through the strongest field it starts from.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast

from ..protocol import Point, Step
from .plan import bare_step
from .run import RunRecord, zeros_by_hand

#: Fields that differ by less than this part are the same one: both come from one height.
_SAME_FIELD = 1e-6


@dataclass(frozen=True)
class Restart:
    """How to go on: the steps still to do, and the points set aside with the reason for each."""

    steps: tuple[Step, ...]
    set_aside: dict[int, str]
    spoilt_legs: tuple[int, ...] = ()


def under_way(run: RunRecord) -> bool:
    """Whether the sample stands within a leg: the step before and the step to come are both points.

    Before a leg, between two legs and where the way to a leg is not read going to the far end harms nothing.
    """
    step = run.next_step
    if step is None or step["kind"] != "point" or run.done == 0:
        return False
    before = run.steps[run.done - 1]
    if run.programme:
        return before["kind"] == "point" and not (_is_far(run, before) or _is_far(run, step))
    return before["kind"] == "point" and not _apart(run.plan, step["leg"])


def _apart(plan: tuple[Step, ...], leg: int) -> bool:
    """Whether a leg does not go on where the one before ended: then it is on no branch, such as the readings
    at the far end after the last passage."""
    points = [step for step in plan if step["kind"] == "point"]
    first = next((i for i, step in enumerate(points) if step["leg"] == leg), 0)
    if first == 0:
        return False
    low, high = sorted(points[i]["height_m"] or 0.0 for i in (first - 1, first))
    return any(low < (step["height_m"] or 0.0) < high for step in points)


def restart(
    run: RunRecord, why: str, *, need_zero: bool, moved: bool, compare: bool = False
) -> Restart | None:
    """The way on after an interruption; None when the run can simply go on.

    ``need_zero``: the balance may have changed its zero, so none is used across the interruption.
    ``moved``: the lift is not, or not surely, where the last reading left it. ``compare``: it may be another
    balance, so a pull that was read is read again before others are.
    """
    step = run.next_step
    if run.single:  # the script begins another branch, from the far end and with a zero of its own
        broken = run.steps and (need_zero or moved or compare)
        return Restart(_renumber(run, (_zero(run.steps[-1]),)), {}) if broken else None
    if step is None:
        return None
    if run.coil:
        return _stops_again(run, [step], why) if need_zero or moved or compare else None
    need_zero = need_zero or (bool(run.points) and run.zero is None)  # it was set aside
    spoilt = (moved or need_zero) and under_way(run)  # a zero is read at the far end
    if run.ladder == "lift" and (spoilt or (compare and _may_compare(run))):
        return _again_from(run, step, why, need_zero)
    if run.ladder == "spacers" and compare and _may_compare(run):
        return _last_again(run, why)
    if need_zero and step["kind"] != "zero" and (run.points or zeros_by_hand(run.plan)):
        fresh = _fresh_zero(run, step, whole=bool(run.programme) and not _is_far(run, step))
        if step["kind"] == "turn":
            fresh = fresh[:1]  # the turn comes, and the other half of the pair
        return Restart(_renumber(run, (*fresh, *run.steps[run.done :])), {}) if fresh else None
    return None


def unconfirmed(run: RunRecord, why: str, *, need_zero: bool) -> Restart | None:
    """The way on where no homing confirms the last readings: from the beginning of their first branch."""
    if run.coil:
        return _stops_again(run, run.unchecked, why)
    legs = [p["leg"] for p in run.unchecked]
    step = next((s for s in run.plan if s["kind"] == "point" and s["leg"] == min(legs, default=0)), None)
    here = run.next_step
    if step is None or (run.programme and here is None):
        return None
    if run.programme and here is not None and step["leg"] <= (first := _first_to_the_largest(run)):
        if here["leg"] <= first and not under_way(run):
            return Restart(_renumber(run, run.steps[run.done :]), {})
        after = (s for s in run.plan if s["kind"] == "point" and s["leg"] > first)
        step = here if here["leg"] <= first else next(after)
    return _again_from(run, step, why, need_zero)


def _again_from(run: RunRecord, step: Step, why: str, need_zero: bool) -> Restart:
    return (_passage_again if run.programme else _branch_again)(run, step, why, need_zero)


def _may_compare(run: RunRecord) -> bool:
    """Whether there is something to compare with, and something still to read."""
    used = any(p["kind"] == "point" and p["set_aside"] is None for p in run.points)
    return used and any(s["kind"] == "point" for s in run.steps[run.done :])


def _last_again(run: RunRecord, why: str) -> Restart | None:
    """With spacers the last gap is read again: the sample was away in between, as it always is."""
    last = run.last("point")
    step = next((s for s in run.steps if last is not None and s["step"] == last["step"]), None)
    if last is None or step is None:
        return None
    rest = run.steps[run.done :]
    fresh = (_zero(rest[0]),) if rest[0]["kind"] == "point" else ()  # its zero was read before
    steps = _renumber(run, (_zero(step), step, *fresh, *rest))
    return Restart(steps, {last["id"]: f"read again: {why}"})


def _branch_again(run: RunRecord, step: Step, why: str, need_zero: bool) -> Restart:
    legs, strongest = _branch(run.plan, step["leg"])
    plan = list(run.plan)
    first = next(i for i, s in enumerate(plan) if s["kind"] == "point" and s["leg"] == legs[0])
    orientation = plan[first]["orientation"]
    lead = [] if strongest is None else [strongest]
    reason = f"the branch was started again: {why}"
    aside = _from_leg(run, legs[0], reason)
    if lead:
        # The branch's starting point is measured again; two of them would stand side by side.
        read_before = [
            point
            for point in run.points
            if point["kind"] == "point" and point["leg"] == lead[0]["leg"] and point["set_aside"] is None
        ]
        aside |= {p["id"]: reason for p in read_before if p["height_m"] == lead[0]["height_m"]}
    # A turner turns it before it is needed, and a person who does not take it off for the zeros does.
    turn_back = run.orientation != orientation and not run.turner and zeros_by_hand(run.plan)
    need_zero = need_zero or _zero_goes_with(run, aside)
    prelude: list[Step] = []
    model = lead[0] if lead else plan[first]
    if turn_back or (need_zero and (lead or zeros_by_hand(run.plan))):
        prelude += _fresh_zero(run, model, whole=True)
    if turn_back:
        prelude.append(bare_step("turn", model))
    return Restart(_renumber(run, (*prelude, *lead, *plan[first:])), aside, legs)


def _branch(plan: tuple[Step, ...], leg: int) -> tuple[tuple[int, ...], Step | None]:
    """The legs of the branch that ``leg`` is of, and the step it starts from (None: the sample as it was).

    A branch goes from one reading in the largest field, which wipes out all that was before, to the next.
    """
    points = [step for step in plan if step["kind"] == "point"]
    fields = [abs(step["H_applied_A_per_m"] or 0.0) for step in points]
    tops = [s for s, field in zip(points, fields, strict=True) if field >= max(fields) * (1 - _SAME_FIELD)]
    start = max((s for s in tops if s["leg"] < leg), key=lambda s: s["step"], default=None)
    end = min((s["leg"] for s in tops if s["leg"] >= leg), default=leg)
    after = -1 if start is None else start["leg"]
    return tuple(sorted({s["leg"] for s in points if after < s["leg"] <= end})), start


def same_stop(one: Step | Point, other: Step | Point) -> bool:
    """Whether a coil stands in the same place the same way up: only within one stop its zero drops out."""
    same = all(one[key] == other[key] for key in ("height_m", "spacers", "orientation"))
    return same and one.get("seat_m") == other.get("seat_m")


def _stops_again(run: RunRecord, places: Iterable[Step | Point], why: str) -> Restart | None:
    """A coil has no history: what was read at these places is read again, from the first current on."""
    here = tuple(places)

    def there(one: Step | Point) -> bool:
        return any(same_stop(one, place) for place in here)

    aside = {p["id"]: f"read again: {why}" for p in run.points if p["set_aside"] is None and there(p)}
    whole = [s for s in run.plan if there(s)]
    if not aside and len([s for s in run.steps[run.done :] if there(s)]) == len(whole):
        return None  # nothing of it was read yet
    rest = [s for s in run.steps[run.done :] if not there(s)]
    return Restart(_renumber(run, (*whole, *rest)), aside)


def _passage_again(run: RunRecord, step: Step, why: str, need_zero: bool) -> Restart:
    """A programme's passage once more, from the state that it began in: the sample is led through those of
    the turning points before it that it still remembers (return-point memory).

    What leads there has the passage's own number. Before the largest field was reached there is no way back
    to the first state: a first magnetisation goes on where it was broken off.
    """
    points = [s for s in run.plan if s["kind"] == "point"]
    passage = [s for s in points if s["leg"] == step["leg"]]
    before = points[: points.index(passage[0])]
    lead = remembered(before)
    inward = _size(passage[-1]) > _size(before[-1] if before else passage[0])
    rest, aside, legs = points[len(before) :], {}, ()
    if inward and step["leg"] <= _first_to_the_largest(run):
        heights = [s["height_m"] for s in passage]
        lead, done = lead[-1:], heights.index(step["height_m"]) if step["height_m"] in heights else 0
    else:
        legs, done = (step["leg"],), 0
        reason = f"the passage was started again: {why}"
        aside = _from_leg(run, step["leg"], reason)
    need_zero = need_zero or _zero_goes_with(run, aside)
    lead = [cast(Step, {**s, "leg": step["leg"]}) for s in lead]
    later = run.plan[run.plan.index(rest[done]) :]
    first, *others = (*lead, *later)
    if not need_zero:
        steps = (first, *others)
    elif run.turner and lead and _size(first) > _size(_far(run)):
        # In a state that is known: on the way out from where it is led first.
        out = cast(Step, {**_far(run), "leg": first["leg"], "orientation": -first["orientation"]})
        steps = (first, *_fresh_zero(run, out, whole=True), *others)
    else:
        steps = (*_fresh_zero(run, first, whole=not _is_far(run, first)), first, *others)
    return Restart(_renumber(run, steps), aside, legs)


def _from_leg(run: RunRecord, leg: int, reason: str) -> dict[int, str]:
    """The readings in use from a passage on, each with the reason to set it aside."""
    used = (p for p in run.points if p["kind"] == "point" and p["set_aside"] is None)
    return {p["id"]: reason for p in used if p["leg"] >= leg}


def _zero_goes_with(run: RunRecord, aside: dict[int, str]) -> bool:
    """Whether there is no zero left: one that was found by readings goes with them."""
    return not zeros_by_hand(run.plan) and (run.zero is None or run.zero.id in aside)


def _first_to_the_largest(run: RunRecord) -> int:
    """The passage that reaches the largest field first."""
    points = [s for s in run.plan if s["kind"] == "point"]
    strongest = max(map(_size, points))
    return next(s["leg"] for s in points if _size(s) == strongest)


def remembered(steps: list[Step]) -> list[Step]:
    """The turning points of a path that a sample still remembers at its end, and its end: a field that goes
    beyond an earlier one wipes that out (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518)."""
    kept: list[Step] = []
    for step in steps:
        H = _field(step)
        while kept:
            last, base = _field(kept[-1]), _field(kept[-2]) if len(kept) > 1 else 0.0
            if (H - last) * (last - base) >= 0.0:  # on the same way
                kept.pop()
            elif len(kept) > 1 and (H - base) * (base - last) >= 0.0:  # beyond where that way began
                kept[-2:] = []
            elif len(kept) == 1 and abs(H) >= abs(last):  # the first one, from a sample as it was
                kept.clear()
            else:
                break
        kept.append(step)
    return kept


def _field(step: Step) -> float:
    return step["H_applied_A_per_m"] or 0.0


def _size(step: Step) -> float:
    return abs(_field(step))


def again(run: RunRecord, step: Step) -> tuple[Step, ...]:
    """The steps still to do with ``step`` put in front once more."""
    return _renumber(run, (step, *run.steps[run.done :]))


def _zero(step: Step) -> Step:
    return bare_step("zero", step)


def _fresh_zero(run: RunRecord, step: Step, whole: bool = False) -> tuple[Step, ...]:
    """The steps that read the zero before ``step``, in the way the run's plan does.

    Of a pair at the far end the step itself is the second half where it is at the far end; ``whole``: it is
    not.
    """
    if zeros_by_hand(run.plan):
        return (_zero(step),)
    far = _far(run)
    second = cast(Step, {**far, "leg": step["leg"], "orientation": step["orientation"]})
    first = cast(Step, {**second, "orientation": -step["orientation"]})
    if not run.turner:
        return (second,) if whole else ()  # the readings on the way out tell it
    return (first, bare_step("turn", second), *((second,) if whole else ()))


def _far(run: RunRecord) -> Step:
    """A step of the plan at the far end."""
    return max((s for s in run.plan if s["height_m"] is not None), key=lambda s: s["height_m"] or 0.0)


def _is_far(run: RunRecord, step: Step) -> bool:
    return step["height_m"] == _far(run)["height_m"]


def _renumber(run: RunRecord, steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Fresh numbers: a step's number is never used twice, so a reading always names one step."""
    start = max((s["step"] for s in run.steps), default=0) + 1
    return tuple(cast(Step, {**s, "step": start + i}) for i, s in enumerate(steps))
