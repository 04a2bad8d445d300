"""Is the balance that came back the one of before? By its serial number, its zero, its noise and a pull read
again.
"""

from __future__ import annotations

import math
from typing import Any

from ..protocol import Point, Step
from ..text import grams, number
from .manual_steps import pull_at
from .run import RunRecord
from .settings import NOISE_FACTOR, NOISES, SAME_BALANCE, SAME_U, ZERO_BACK_DIGITS


def another_balance(run: RunRecord, step: Step, reading: dict[str, Any]) -> tuple[str, str]:
    """What speaks against its being the balance of before, by the first reading since it came back; else "".

    And by what it was seen, "number", "zero" or "noise". Another number is asked about each time and its
    reading does not count, a zero or a noise that changed once; noise alone may also be a draught.
    """
    before = [p for p in run.points if p["set_aside"] is None]
    was = next((p["balance"] for p in reversed(before) if "balance" in p), None)
    now = reading.get("balance")
    if was is not None and now != was:
        says = f"its serial number is {now}" if now is not None else "it does not tell its serial number"
        return f"{says}, the readings so far are of {was}: put that one back, or stop the run", "number"
    digit = run.limits.get("resolution_kg", 0.0)
    zero, noise = _zero_changed(run, step, reading), _noise_changed(before, reading, digit)
    return "; ".join(filter(None, (zero, noise))), "zero" if zero else "noise"


def _zero_changed(run: RunRecord, step: Step, reading: dict[str, Any]) -> str:
    """A zero that is neither the one before nor, after a start, none."""
    zeros = (p for p in reversed(run.points) if p["kind"] == "zero" and p["set_aside"] is None)
    zero = next((z for z in zeros if z["spacers"] == step["spacers"]), None)
    if step["kind"] != "zero" or zero is None:
        return ""
    now, was = reading["value_kg"], zero["value_kg"]
    drift = ZERO_BACK_DIGITS * run.limits.get("resolution_kg", math.inf)
    near = max(drift, SAME_U * math.hypot(reading["u_kg"], zero["u_kg"]))
    if min(abs(now - was), abs(now)) <= near:
        return ""
    return f"its zero is {grams(now)} and was {grams(was)}"


def _noise_changed(before: list[Point], reading: dict[str, Any], digit: float) -> str:
    """Noise far beyond all there was in this run."""
    known = [max(n, digit / 2) for p in before if (n := p.get("noise_kg")) is not None]
    now = reading.get("noise_kg")
    if now is None or len(known) < NOISES:
        return ""
    now = max(now, digit / 2)
    if min(known) / NOISE_FACTOR <= now <= max(known) * NOISE_FACTOR:
        return ""
    span = f"{min(known) * 1e6:.2g} to {max(known) * 1e6:.2g} mg"
    return f"its noise is {now * 1e6:.2g} mg and was {span}"


def compared(run: RunRecord, step: Step, reading: dict[str, Any]) -> tuple[bool, str] | None:
    """Does a balance that came back show the pull it showed before? None where this step cannot tell.

    With a lift the strongest field tells: the sample is in the same state whenever it is there. With spacers
    the last gap does.
    """
    zero, same = run.zero, _read_there_before(run, step)
    if zero is None or same is None or (before := pull_at(run, same)) is None:
        return None
    change = reading["value_kg"] - zero.value - before
    u = math.hypot(math.hypot(reading["u_kg"], same["u_kg"]), 2**0.5 * zero.u)
    if abs(before) < 20 * u:
        return None  # too small a pull to tell one balance from another
    share = number(change / before, "+.1%")
    words = f"the pull was {grams(before)} and is {number(change * 1e6, '+.1f')} mg off"
    if abs(change) <= max(SAME_U * u, SAME_BALANCE[run.ladder] * abs(before)):
        return True, f"The balance that came back agrees: {words}."
    return False, f"the balance that came back shows another pull ({share}; {words}): is it another one?"


def _read_there_before(run: RunRecord, step: Step) -> Point | None:
    """The last reading at the same place, orientation and passage; with a lift at the smallest gap only."""
    if step["kind"] != "point":
        return None
    heights = [s["height_m"] for s in run.plan if s["kind"] == "point" and s["height_m"] is not None]
    if run.ladder == "lift" and step["height_m"] != min(heights, default=None):
        return None
    place = ("orientation", "height_m", "spacers", *(() if run.programme else ("leg",)))
    there = (p for p in reversed(run.points) if p["kind"] == "point" and all(p[k] == step[k] for k in place))
    return next((p for p in there if _has_its_zero(run, p)), None)


def _has_its_zero(run: RunRecord, point: Point) -> bool:
    """Whether the zero before a reading is of its time: one that was set aside since took its zero along."""
    zero = next((z.id for z in reversed(run.zeros) if z.id < point["id"]), 0)
    aside = (p["id"] for p in run.points if p["set_aside"] is not None and p["id"] != point["id"])
    return not any(zero < number < point["id"] for number in aside)
