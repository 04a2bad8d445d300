"""What the balance shows of a person's hands: sample off, sample on, spacers changed, the zero moved.

Nothing here guesses: where the expected change of the reading is small or unknown the answer is "not seen",
and the person's own word is waited for, by a key or by two taps on the pan.
"""

from __future__ import annotations

import math

from ..protocol import ActionCode, Point, Step
from .events import Level
from .run import RunRecord
from .settings import (
    BACK,
    LEAST_DIGITS,
    LEAST_SIGMAS,
    LOOP_SHARE,
    MOST_TURNED,
    PLAN_LEAST,
    PLAN_MOST,
    SAME_PULL,
    SPACER,
    ZERO_DIGITS,
)


def least_change(resolution: float, target_u: float) -> float:
    """The least change of a level that counts as one, from the balance's resolution and the target, kg."""
    return max(LEAST_DIGITS * resolution, LEAST_SIGMAS * target_u)


def least_of(run: RunRecord) -> float:
    """The least change of a level that counts as one in a run, kg."""
    return least_change(run.limits.get("resolution_kg", math.inf), run.target_u_kg)


def pull_at(run: RunRecord, point: Point) -> float | None:
    """A point less the zero that was read last before it, kg; None without one."""
    before = [z.value for z in run.zeros if z.id < point["id"] and z.spacers == point["spacers"]]
    return point["value_kg"] - before[-1] if before else None


def readings_of(run: RunRecord, leg: int) -> list[Point]:
    """The readings in use of one passage, in the order taken."""
    return [p for p in run.points if p["kind"] == "point" and p["leg"] == leg and p["set_aside"] is None]


def two_passages_before(run: RunRecord, place: Step | Point) -> list[Point]:
    """The readings in use of the passage that went the same way with the sample turned over: by the loop's
    symmetry their pulls come back. None in a programme, nor where two before was the first curve."""
    return readings_of(run, place["leg"] - 2) if place["leg"] >= 3 and not run.programme else []


def seen(code: ActionCode, step: Step, run: RunRecord, stands: Level, before: float | None) -> bool:
    """Whether the level on which the reading stands still shows that the action ``code`` was done.

    ``before`` is the level before it (kg), None where there was none.
    """
    zero, level = run.zero, stands.value
    if zero is None or not could_see(code, step, run):
        return False
    change = level - zero.value
    if code == "remove-sample":
        pull = abs(_last_pull(run) or 0.0)
        return pull > 2 * stands.width and abs(change) <= max(least_of(run), stands.width, BACK * pull)
    if code == "place-sample":
        clear = abs(change) > 2 * stands.width  # a restless bench may stray by its width
        return clear and _fits(run, step, change) and not _shows_zero(run, level)
    mass, was, count = run.limits.get("spacer_mass_kg"), run.spacers, step["spacers"]
    if mass is None:
        # The balance's own zero key, pressed after something on the pan was changed.
        if before is None or not _shows_zero(run, level):
            return False
        return min(abs(before), abs(before - zero.value)) > least_of(run)
    if was is None or count is None or (_shows_zero(run, level) and not _shows_zero(run, change)):
        return False  # re-zeroed: the masses are counted from another zero
    return mass > 2 * stands.width and abs(abs(change) - abs(count - was) * mass) < SPACER * mass


def could_see(code: ActionCode, step: Step, run: RunRecord) -> bool:
    """Whether the balance can show that the action ``code`` was done."""
    zero, least = run.zero, least_of(run)
    if run.ladder != "spacers" or zero is None:
        return False  # with a lift the sample is handled where its pull is smallest
    if code == "remove-sample":
        pull = _last_pull(run)
        return pull is not None and abs(pull) > least
    if code == "place-sample":
        expected = _by_the_loop(run, step)
        here = run.spacers_with_sample or zero.spacers == run.spacers
        return here and (abs(expected) if expected is not None else _most(run, step)) > least
    if code == "set-spacers":
        mass = run.limits.get("spacer_mass_kg")
        if mass is None:
            return run.spacers is not None
        moved = step["spacers"] is not None and run.spacers not in (None, step["spacers"])
        return moved and zero.spacers == run.spacers and mass > least
    return False


def zero_moved(run: RunRecord, level: float) -> bool:
    """Whether the balance was re-zeroed since its zero was read: zero where it was not."""
    zero = run.zero
    return zero is not None and _shows_zero(run, level) and abs(zero.value) > least_of(run)


def comes_back(run: RunRecord, step: Step, pull: float) -> bool:
    """Whether a pull is the one two passages before; True where there was none to tell by."""
    before, outward = _by_the_loop(run, step), _weighed(run, readings_of(run, step["leg"] - 3), step)
    if before is None:
        return True
    size = max(abs(before), abs(outward or 0.0) if step["leg"] == 4 else 0.0)
    return abs(pull - before) < LOOP_SHARE * size + 0.5 * least_of(run)


def unchanged(run: RunRecord, step: Step, pull: float) -> bool:
    """Whether the pull is still the one at the last count, where another count was asked for.

    Not where a passage two before tells more: turned over, the pull passes through a largest push, and two
    gaps about it push alike.
    """
    if _by_the_loop(run, step) is not None:
        return False
    used = [p for p in run.points if p["kind"] == "point" and p["set_aside"] is None]
    if not used or used[-1]["orientation"] != step["orientation"] or used[-1]["spacers"] == step["spacers"]:
        return False
    last = pull_at(run, used[-1])
    return last is not None and abs(last) > least_of(run) and abs(pull / last - 1) < SAME_PULL


def _shows_zero(run: RunRecord, level: float) -> bool:
    return abs(level) <= ZERO_DIGITS * run.limits.get("resolution_kg", 0.0)


def _last_pull(run: RunRecord) -> float | None:
    """The pull that was read last, where its spacers are still set."""
    point = run.last("point")
    return None if point is None or point["spacers"] != run.spacers else pull_at(run, point)


def _by_the_loop(run: RunRecord, step: Step) -> float | None:
    """What was weighed at the count two passages before, turned over; None where nothing was."""
    return _weighed(run, two_passages_before(run, step), step)


def _weighed(run: RunRecord, passage: list[Point], step: Step) -> float | None:
    """The pull among a passage's readings at the step's count, kg."""
    here = next((p for p in passage if p["spacers"] == step["spacers"]), None)
    return None if here is None else pull_at(run, here)


def _most(run: RunRecord, step: Step) -> float:
    """No sample the plan may be meant for pulls or pushes more at this count, kg."""
    outward = _weighed(run, readings_of(run, 1), step) if step["leg"] == 2 and not run.programme else None
    if outward is not None:
        return MOST_TURNED * abs(outward)
    same = [s["predicted_reading_kg"] for s in run.every_step if s["spacers"] == step["spacers"]]
    return PLAN_MOST * max((abs(planned) for planned in same if planned is not None), default=0.0)


def _fits(run: RunRecord, step: Step, pull: float) -> bool:
    """Whether a change of the reading against the zero is the sample's pull at its step."""
    planned, mirrored = step["predicted_reading_kg"], _by_the_loop(run, step)
    if not least_of(run) < abs(pull) < _most(run, step):
        return False
    if run.spacers_with_sample and unchanged(run, step, pull):
        return False
    if mirrored is not None:
        return comes_back(run, step, pull)
    last = run.last("point")
    if last is None or step["leg"] == 0:
        return True  # how the sample comes is not known: it may pull or push
    if last["orientation"] != step["orientation"]:
        before = pull_at(run, last)  # turned over at the far end: push where it pulled
        return before is not None and pull * before < 0
    # Outward, after the strongest field, it pulls; inward after the turn it pushes first and pulls later.
    outward = step["leg"] in (1, 3) and not run.programme
    return not outward or (planned is not None and pull / planned > PLAN_LEAST)
