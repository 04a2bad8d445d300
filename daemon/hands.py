"""What the balance shows of a person's hands: sample off, sample on, spacers changed, a wrong count.

Nothing here guesses: where the expected change of the reading is small or unknown the answer is
"not seen", and the person's own word is waited for.
"""

from __future__ import annotations

import math
from itertools import pairwise

from .protocol import ActionCode, Step
from .run_state import RunRecord

#: A change counts as seen above so many digits of the balance, and to within such a share of itself.
DIGITS = 50.0
SHARE = 0.3
#: A count is doubted when the pull is off its prediction by the share OFF (one spacer changes it by
#: a quarter or more) and within STEADY of another count's, on a leg whose last pulls changed their
#: ratio to the plan by less than STEADY, over no more than WIDEST spacers.
OFF, STEADY, WIDEST = 0.2, 0.08, 4


def seen(code: ActionCode, step: Step, run: RunRecord, level: float, before: float | None) -> bool:
    """Whether a settled ``level`` (kg) shows that the action ``code`` was done.

    ``before`` is the settled level before it (kg), None where there was none.
    """
    least = DIGITS * run.limits.get("resolution_kg", math.inf)
    zero = run.last("zero")
    if run.ladder != "spacers" or zero is None:
        return False  # with a lift the sample is handled where its pull is smallest
    if code == "remove-sample":
        # The level must have been the sample's own, and must have come back to the zero.
        point = run.last("point")
        if point is None or before is None or point["spacers"] != run.spacers:
            return False
        pull = point["value_kg"] - zero["value_kg"]
        return abs(pull) > least and abs(level - zero["value_kg"]) < SHARE * abs(pull)
    if code == "place-sample":
        expected = step["predicted_reading_kg"]
        if expected is None or zero["spacers"] != run.spacers:
            return False
        pull = level - zero["value_kg"]
        return abs(pull) > least and abs(expected) > least and abs(pull) > SHARE * abs(expected)
    if code == "set-spacers":
        mass = run.limits.get("spacer_mass_kg")
        if mass is None or run.spacers is None or step["spacers"] is None or before is None:
            return False
        moved = abs(step["spacers"] - run.spacers) * mass
        return moved > least and abs(abs(level - zero["value_kg"]) - moved) < SHARE * mass
    return False


def doubt_about_count(run: RunRecord, step: Step, value: float) -> str:
    """A question when the reading says that another number of spacers is set, else an empty text.

    Two independent signs: the zeros, where one spacer's mass is known and spacers stand on the pan;
    and the pull, foretold from the leg so far (measured over planned, carried on along the leg).
    """
    if run.ladder != "spacers" or step["spacers"] is None:
        return ""
    if step["kind"] == "zero":
        return _by_mass(run, step, value)
    return _by_pull(run, step, value)


def _by_mass(run: RunRecord, step: Step, value: float) -> str:
    """Zeros differ by whole spacer masses where spacers stand on the pan, and not at all where not."""
    mass, count = run.limits.get("spacer_mass_kg"), step["spacers"]
    zeros = [
        (p["spacers"], p["value_kg"])
        for p in run.points
        if p["kind"] == "zero" and p["set_aside"] is None and p["spacers"] is not None
    ]
    if mass is None or count is None or not zeros:
        return ""
    before, level = zeros[-1]
    moved = round((value - level) / mass)
    whole = abs(value - level - moved * mass) < 0.15 * mass
    if not whole or abs(value) < 0.15 * mass or before == count:
        return ""  # re-zeroed by hand, or no spacer was to be moved
    # From the zeros so far: +1 or -1 by which way a spacer more moves the reading, 0 where none does.
    signs = {
        round((b - a) / mass / (m - n))
        for (n, a), (m, b) in pairwise(zeros)
        if m != n and abs(b) > 0.15 * mass
    }
    sign = signs.pop() if len(signs) == 1 else None
    expected = {sign * (count - before)} if sign is not None else {0, count - before, before - count}
    if moved in expected:
        return ""
    asked = abs(count - before)
    return f"The pan changed by {abs(moved)} spacer masses where {asked} were asked for. Is the count right?"


def _by_pull(run: RunRecord, step: Step, value: float) -> str:
    """Measured over planned pull changes slowly along a leg; a wrong count breaks that.

    Silent wherever the leg so far foretells nothing: the first curve, wide steps, a pull that nearly
    vanishes, a ratio that is on the move itself.
    """
    count, zero = step["spacers"], run.last("zero")
    least = DIGITS * run.limits.get("resolution_kg", math.inf)
    if zero is None or count is None or step["leg"] == 0:
        return ""
    plan = sorted(
        (s["spacers"], s["predicted_reading_kg"])
        for s in run.plan
        if s["kind"] == "point"
        and s["leg"] == step["leg"]
        and s["spacers"] is not None
        and s["predicted_reading_kg"]
    )
    before = _ratios(run, step["leg"], plan, least)[-2:]
    if len(before) < 2 or max(abs(n - count) for n, _ in before) > WIDEST:
        return ""
    (_, first), (_, last) = before
    if min(first, last) <= 0.2 or abs(last / first - 1) > STEADY:
        return ""
    pull = value - zero["value_kg"]
    misses = {}
    for other in range(max(0, count - WIDEST), count + WIDEST + 1):
        foretold = _at(plan, other)
        if foretold is not None and abs(last * foretold) > least:
            misses[other] = abs(pull / (last * foretold) - 1)
    best = min(misses, key=lambda n: misses[n], default=count)
    if best == count or count not in misses or misses[count] < OFF or misses[best] > STEADY:
        return ""
    return f"The reading fits {best} spacers better than {count}. Is the count right?"


def _ratios(run: RunRecord, leg: int, plan: list[tuple[int, float]], least: float) -> list[tuple[int, float]]:
    """Count and measured over planned pull, for the leg's points so far."""
    zeros = {
        p["spacers"]: p["value_kg"] for p in run.points if p["kind"] == "zero" and p["set_aside"] is None
    }
    ratios = []
    for p in run.points:
        n = p["spacers"]
        if p["kind"] != "point" or p["leg"] != leg or p["set_aside"] is not None or n is None:
            continue
        foretold = _at(plan, n)
        if foretold is not None and abs(foretold) > least and n in zeros:
            ratios.append((n, (p["value_kg"] - zeros[n]) / foretold))
    return ratios


def _at(plan: list[tuple[int, float]], count: int) -> float | None:
    """The planned reading at a count: log-linear between the plan's own counts, None outside."""
    for (low, below), (high, above) in pairwise(plan):
        if low <= count <= high and high - low <= WIDEST:
            if below * above <= 0:
                return None
            share = (count - low) / (high - low) if high > low else 0.0
            size = math.exp(math.log(abs(below)) * (1 - share) + math.log(abs(above)) * share)
            return math.copysign(size, below)
    return None
