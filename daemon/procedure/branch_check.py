"""Does a reading with a lift fit its gap? A stage that stopped short and says that it is there is found by
the branch so far and by the pair two passages before.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from ..protocol import Point, Step
from .manual_steps import least_of, readings_of, two_passages_before
from .run import RunRecord
from .settings import CANCELS, OFF_BRANCH, OFF_PAIR, OFF_STEP, OFF_U, OFF_ZERO


def off_the_branch(run: RunRecord, step: Step, reading: dict[str, Any]) -> tuple[str, tuple[Point, ...]]:
    """Why a reading with a lift cannot be of its gap, and what must not be used because of it; else "".

    M rises with the field on every branch of every sample: the pull's share of what saturation would make at
    the gap must not fall on the way in, nor rise on the way out. And where the loop was seen to be symmetric,
    the share two passages before comes back. A lift that stopped short and says that it is there breaks
    one or the other, at this reading or at an earlier one.
    """
    now = _share(run, step, reading) if run.ladder == "lift" and step["kind"] == "point" else None
    if now is None:
        return "", ()
    return _backward(run, step, now) or _off_its_pair(run, step, now) or ("", ())


def _share(
    run: RunRecord, place: Step | Point, reading: dict[str, Any] | Point
) -> tuple[float, float] | None:
    """A pull as a share of saturation's at its height, and how far chance may put it off."""
    before = reading.get("id", math.inf)
    zero = next((zero for zero in reversed(run.zeros) if zero.id < before), None)
    height = place["height_m"]
    whole = next((value for at, value in run.saturated if at == height), None)
    # Close over a ring the pulls on the sample's layers nearly cancel: the share says nothing there.
    farther = max((abs(value) for at, value in run.saturated if at > (height or 0.0)), default=0.0)
    if zero is None or whole is None or abs(whole) < CANCELS * farther:
        return None
    chance = OFF_U * math.hypot(reading["u_kg"], zero.u) + least_of(run)
    chance += OFF_ZERO * max((abs(value - zero.value) for value in run.readings), default=0.0)
    return (reading["value_kg"] - zero.value) / whole, chance / abs(whole)


def _backward(run: RunRecord, step: Step, now: tuple[float, float]) -> tuple[str, tuple[Point, ...]] | None:
    last = run.points[-1] if run.points else None
    if last is None or last["kind"] != "point" or last["set_aside"]:
        return None
    was = _share(run, last, last) if last["orientation"] == step["orientation"] else None
    rise = (last["height_m"] or 0.0) - (step["height_m"] or 0.0)
    if was is None or not rise:
        return None
    fall = (was[0] - now[0]) * math.copysign(1.0, rise)
    size = max(abs(was[0]), abs(now[0]))
    if fall <= OFF_BRANCH * size + was[1] + now[1]:
        return None
    text = f"between {_mm(last)} and {_mm(step)} the magnetisation would go back by {100 * fall / size:.0f} %"
    return f"{text}, which no sample's does: did the lift stop short of one of them?", run.unchecked


def _off_its_pair(
    run: RunRecord, step: Step, now: tuple[float, float]
) -> tuple[str, tuple[Point, ...]] | None:
    was = _partner(run, step) if _in_passing(run, step) else None
    then = _share(run, was, was) if was is not None else None
    if was is None or then is None:
        return None
    pairs = []
    for point in [p for leg in (3, 4) for p in readings_of(run, leg) if on_its_passage(run, p)]:
        before, here = _partner(run, point), _share(run, point, point)
        if before is not None and here is not None and (once := _share(run, before, before)) is not None:
            pairs.append((here, once))
    if not pairs:
        return None  # the first pair shows whether the sample's loop is symmetric
    largest = max(abs(share) for both in (*pairs, (now, then)) for share, _ in both)

    def apart(one: tuple[float, float], other: tuple[float, float]) -> float:
        return abs(one[0] - other[0]) - OFF_PAIR * largest - one[1] - other[1]

    steep = _step_beside(run, was)
    if apart(now, then) <= OFF_STEP * steep or any(apart(*both) > 0 for both in pairs):
        return None
    text = f"the pull at {_mm(step)} is not the one of two passages before, as at the other gaps"
    return f"{text}: did the lift stop short, now or then?", (was, *run.unchecked)


def _step_beside(run: RunRecord, at: Point) -> float:
    """The larger of the changes of the share from a point to those beside it on its leg."""
    leg = readings_of(run, at["leg"])
    near = leg[max(0, leg.index(at) - 1) : leg.index(at) + 2]
    shares = [share[0] for p in near if (share := _share(run, p, p)) is not None]
    return max((abs(b - a) for a, b in pairwise(shares)), default=0.0)


def _partner(run: RunRecord, place: Step | Point) -> Point | None:
    """The last reading at the same height two passages before."""
    there = (p for p in reversed(two_passages_before(run, place)) if p["height_m"] == place["height_m"])
    return next((p for p in there if on_its_passage(run, p)), None)


def on_its_passage(run: RunRecord, point: Point) -> bool:
    """Whether a reading was taken in passing, and not beforehand: where a branch is begun again through the
    strongest field the pair at the far end finds the sample as that field left it the last time."""
    later = (p for p in run.points if p["id"] > point["id"] and p["kind"] == "point" and not p["set_aside"])
    return _goes_on(run, point, next((p for p in later if p["leg"] == point["leg"]), None))


def _in_passing(run: RunRecord, step: Step) -> bool:
    """The same of a step that is still to be done."""
    later = (s for s in run.steps if s["step"] > step["step"] and s["kind"] == "point")
    return _goes_on(run, step, next(later, None))


def _goes_on(run: RunRecord, here: Step | Point, after: Step | Point | None) -> bool:
    """Whether the beginning of a passage is followed by its second gap; any other place on it is."""
    heights = [s["height_m"] for s in run.plan if s["kind"] == "point" and s["leg"] == here["leg"]]
    if len(heights) < 2 or here["height_m"] != heights[0]:
        return True
    return after is not None and (after["leg"], after["height_m"]) == (here["leg"], heights[1])


def _mm(place: Step | Point) -> str:
    return f"{(place['gap_m'] or 0.0) * 1e3:.2f} mm"
