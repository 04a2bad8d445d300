"""What a reading says against its own step: another number of spacers, or a sample that was not turned.

A reading in doubt is not written down; the person is asked. Silent wherever nothing predicts the reading.
"""

from __future__ import annotations

import math
from itertools import pairwise

from ..protocol import Step
from .events import Doubt
from .manual_steps import comes_back, least_of, pull_at, readings_of, two_passages_before, unchanged
from .restart import same_stop
from .run import RunRecord
from .settings import CURRENT_TOO_MUCH, CURRENT_UNSEEN, KEPT_SIGN, OFF, OFF_THE_LOOP, STEADY, STILL_ON, WIDEST


def about(run: RunRecord, step: Step, value: float) -> Doubt | None:
    """The doubt about a ``value`` (kg) just read, without its reading; None where there is none.

    Four independent signs: a zero that is still the reading with the sample on; the zeros, where one spacer's
    mass is known and spacers stand on the pan; the pull, predicted from the leg so far (measured over
    planned, carried on along the leg); and the pull's sign, which changes when the sample is turned at the
    far end, where it keeps its magnetisation.
    """
    if run.coil:
        text = _by_current(run, step, value)
        return Doubt(text, {}, current_wrong=True) if text else None
    if step["kind"] == "zero":
        if text := _by_staying(run, step, value):
            return Doubt(text, {})
        text = _by_mass(run, step, value) if run.ladder == "spacers" else ""
        return Doubt(text, {}, spacers_wrong=True) if text else None
    zero = run.zero
    if zero is None:
        return None
    pull = value - zero.value
    if text := _by_sign(run, step, pull):
        return Doubt(text, {}, turn_missed=True)
    text = ""
    if run.ladder == "spacers":
        text = _by_pull(run, step, pull) or _by_nothing(run, step, pull) or _by_the_loop(run, step, pull)
    return Doubt(text, {}, spacers_wrong=True) if text else None


def _by_current(run: RunRecord, step: Step, value: float) -> str:
    """At one gap the coil's pull goes with its current; which way round that is nobody can know."""
    before = run.points[-1] if run.points else None
    planned, asked = step["predicted_reading_kg"], step.get("current_A")
    if before is None or before["set_aside"] or not same_stop(before, step) or not planned or not asked:
        return ""
    was = next((s.get("current_A", 0.0) for s in run.steps if s["step"] == before["step"]), 0.0)
    expected = abs(planned * (asked - was) / asked)
    found, least = abs(value - before["value_kg"]), least_of(run)
    said = f"The reading changed by {found * 1e6:.3g} mg, where the coil's current was"
    if expected == 0.0:
        most = max(least, CURRENT_UNSEEN * abs(planned))
        return f"{said} to stay. Is it still what it was?" if found > most else ""
    if expected < least or CURRENT_UNSEEN * expected <= found <= CURRENT_TOO_MUCH * expected:
        return ""
    return f"{said} reversed and {expected * 1e6:.3g} mg are expected. Is the current right?"


def _by_staying(run: RunRecord, step: Step, value: float) -> str:
    """A zero with the sample off differs from the reading before it, with the sample on, by the pull."""
    last = run.points[-1] if run.points else None
    if last is None or last["kind"] != "point" or last["set_aside"] or last["spacers"] != step["spacers"]:
        return ""
    pull = pull_at(run, last)
    if pull is None or abs(pull) < STILL_ON * least_of(run) or abs(value - last["value_kg"]) > abs(pull) / 2:
        return ""
    return f"The reading is still the one with {run.sample} on. Was it taken off?"


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


def _by_sign(run: RunRecord, step: Step, pull: float) -> str:
    """At the far end the field is too weak to turn the magnetisation: turned over, the pull turns too."""
    before = None if run.turner else _before_the_turn(run, step)  # a turner's own switch has confirmed it
    if before is None or abs(before) <= least_of(run) or pull / before < KEPT_SIGN:
        return ""
    return f"The pull has not changed its sign since {run.sample} was to be turned over. Was it turned?"


def _before_the_turn(run: RunRecord, step: Step) -> float | None:
    """The pull at the same place before the turn, for the first reading after it; else None."""
    used = [p for p in run.points if p["kind"] == "point" and p["set_aside"] is None]
    if not used or used[-1]["orientation"] == step["orientation"] or used[-1]["gap_m"] != step["gap_m"]:
        return None
    return pull_at(run, used[-1])


def _by_pull(run: RunRecord, step: Step, pull: float) -> str:
    """Measured over planned pull changes slowly along a leg; a wrong count breaks that.

    Silent wherever the leg so far predicts nothing: the first curve, wide steps, a pull that nearly
    vanishes, a ratio that is on the move itself.
    """
    count, least = step["spacers"], least_of(run)
    if count is None or step["leg"] == 0:
        return ""
    pulls = ((p["spacers"], pull_at(run, p)) for p in two_passages_before(run, step))
    weighed = sorted((n, pull) for n, pull in pulls if n is not None and pull is not None)
    if weighed and run.limits.get("spacer_mass_kg") is None:
        predicted, off = weighed, OFF_THE_LOOP
    else:
        predicted, off = _by_the_plan(run, step, count, least), OFF
    misses = {}
    for other in range(max(0, count - WIDEST), count + WIDEST + 1):
        expected = _at(predicted, other)
        if expected is not None and abs(expected) > least:
            misses[other] = abs(pull / expected - 1)
    best = min(misses, key=lambda n: misses[n], default=count)
    if best == count or count not in misses or misses[count] < off or misses[best] > off / 2:
        return ""
    return f"The reading fits {best} spacers better than {count}. Is the count right?"


def _by_the_plan(run: RunRecord, step: Step, count: int, least: float) -> list[tuple[int, float]]:
    """Counts and pulls as planned, times what the leg's last pulls were of the plan; empty where that says
    nothing."""
    plan = sorted(
        (s["spacers"], s["predicted_reading_kg"])
        for s in run.every_step
        if s["kind"] == "point"
        and s["leg"] == step["leg"]
        and s["spacers"] is not None
        and s["predicted_reading_kg"]
    )
    before = _ratios(run, step["leg"], plan, least)[-2:]
    if len(before) < 2 or max(abs(n - count) for n, _ in before) > WIDEST:
        return []
    (_, first), (_, last) = before
    if min(first, last) <= 0.2 or abs(last / first - 1) > STEADY:
        return []
    return [(n, last * predicted) for n, predicted in plan]


def _by_nothing(run: RunRecord, step: Step, pull: float) -> str:
    """Spacers that do not lie on the pan show in nothing but the pull: where it stayed, none were moved."""
    if not run.spacers_with_sample or not unchanged(run, step, pull):
        return ""
    return f"The pull is the same as before {step['spacers']} spacers were asked for. Is the count right?"


def _by_the_loop(run: RunRecord, step: Step, pull: float) -> str:
    """Off the pan a count is known by the pull alone: one that does not come back makes it doubtful."""
    if not run.spacers_with_sample or comes_back(run, step, pull):
        return ""
    return (
        f"With {step['spacers']} spacers the pull is not the one of two passages before. "
        "Is the count right, now and then?"
    )


def _ratios(run: RunRecord, leg: int, plan: list[tuple[int, float]], least: float) -> list[tuple[int, float]]:
    """Count and measured over planned pull, for the leg's points so far."""
    ratios = []
    for p in readings_of(run, leg):
        n = p["spacers"]
        if n is None:
            continue
        predicted, pull = _at(plan, n), pull_at(run, p)
        if predicted is not None and abs(predicted) > least and pull is not None:
            ratios.append((n, pull / predicted))
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
