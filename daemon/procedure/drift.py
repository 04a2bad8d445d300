"""Has the bench drifted within a run? The same gap, met again with the same history, must pull the same.

Both outward passages start from saturation in the strongest field, one with the field along the sample's
axis and one against it: at each gap their pulls are equal by symmetry, whatever the sample. The far end
comes last on both, between the branches, and costs no reading of its own.
"""

from __future__ import annotations

from ..protocol import Step
from ..text import number
from ..zeros import zeros
from .manual_steps import readings_of
from .run import RunRecord
from .settings import WORTH_A_WORD

#: Legs that mirror each other.
FIRST, SECOND = 1, 3


def drift_check(run: RunRecord, step: Step, value_kg: float, u_kg: float) -> dict[str, float] | None:
    """The change of the pull since the mirrored leg, at the last gap of the second one; else None.

    Returns ``change_kg``, its standard uncertainty ``u_kg`` and ``then_s``, the time of the first. The
    zeros before the two readings are taken off; their uncertainty is included.
    """
    if run.single or run.programme or step["kind"] != "point" or step["leg"] != SECOND:
        return None
    if any(s["kind"] == "point" and s["leg"] == SECOND for s in run.steps[run.done + 1 :]):
        return None
    good = [p for p in run.points if p["set_aside"] is None]
    place = (step["height_m"], step["spacers"])
    mirrored = [p for p in readings_of(run, FIRST) if (p["height_m"], p["spacers"]) == place]
    if not mirrored:
        return None
    then = mirrored[-1]
    zeros_now = zeros(good)
    zeros_then = [zero for zero in zeros_now if zero.id < then["id"]]
    if not zeros_then or not zeros_now:
        return None
    before, now = zeros_then[-1], zeros_now[-1]
    change = (value_kg - now.value) - (then["value_kg"] - before.value)
    parts = (u_kg, now.u, then["u_kg"], before.u)
    return {"change_kg": change, "u_kg": sum(u * u for u in parts) ** 0.5, "then_s": then["time_s"]}


def in_words(check: dict[str, float]) -> str:
    """The check in a sentence."""
    change, u = check["change_kg"] * 1e6, check["u_kg"] * 1e6
    text = f"Drift check: the pull at the far end changed by {number(change, '+.2g')} ± {u:.2g} mg"
    if abs(change) < WORTH_A_WORD * u:
        return f"{text} since the mirrored passage: none seen."
    return f"{text} since the mirrored passage: zero, temperature or position moved; look at the zeros."
