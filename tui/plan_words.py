"""What a planned run would be like, in words: time, pull, attendance, and what its uncertainties cost."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from .bench_costs import Cost
from .format import duration, grams, kiloamps, two_figures


def series_words(plan: dict[str, Any], loops: int) -> str:
    """What several runs alike come to; empty for one."""
    if loops == 1:
        return ""
    return f"{loops} runs one after the other, about {duration(loops * plan['seconds'])} in all; of each:\n"


def outlook_words(plan: dict[str, Any]) -> str:
    """Pull, time, expected uncertainty and attendance of a plan in words."""
    fields = [step["H_applied_A_per_m"] for step in plan["steps"] if step["H_applied_A_per_m"] is not None]
    words = [
        f"{len(plan['steps'])} steps, about {duration(plan['seconds'])}",
        f"pull up to {grams(plan['largest_pull_kg'], 0, sign=False)} g",
    ]
    if fields:  # none of a coil
        words.append(f"field up to {kiloamps(max(fields, key=abs)).lstrip('+−')}")
    text = "   ".join(words)
    if (
        "expected_u_M_A_per_m" in plan and fields
    ):  # a daemon that has long been running may not know of it yet
        near, far = (two_figures(math.nan if u is None else u * 1e-3) for u in plan["expected_u_M_A_per_m"])
        text += f"\nuncertainty of M: {near} kA/m at the closest gap, {far} kA/m at the farthest"
    return text + _attended(plan)


def _attended(plan: dict[str, Any]) -> str:
    """When somebody is expected to be needed; of spacers only how often the sample is turned over."""
    turns = sum(step["kind"] == "turn" for step in plan["steps"])
    turned = f"the sample is turned over {turns} time{'s' * (turns > 1)}" if turns else ""
    needed = [seconds for seconds, _ in plan.get("attendance", []) if seconds > 0]
    if not plan.get("attendance") or any(step["spacers"] is not None for step in plan["steps"]):
        return f"\n{turned} by hand" if turned else ""
    if not needed:
        return "\n" + "; ".join(filter(None, ("nobody is needed in between", turned)))
    return f"\nsomebody is needed after {', '.join(duration(seconds) for seconds in needed)}"


def cost_words(costs: Sequence[Cost]) -> str:
    """Each figure's uncertainty with what it is mostly made of, a line each."""
    if not all(cost.made_of for cost in costs):
        return ""  # the line above says it all
    lines = ["what the uncertainties cost a ferrite of 70 kA/m:"]
    for cost in costs:
        most = ", ".join(f"{100 * share:.0f} % {name}" for name, share in cost.made_of[:2])
        lines.append(f"{cost.printed:<7} ± {100 * cost.share_of_value:.1f} %: {most}")
    return "\n".join(lines)


def cost_line(costs: Sequence[Cost], key: str) -> str:
    """All uncertainties in one line, and the share that the bench file's ``key`` has in their variance."""
    if not costs:
        return ""
    begun = "expected of a middling ferrite: " if costs[0].said else "the uncertainties cost "
    text = begun + ", ".join(cost.words for cost in costs)
    shares = [f"{100 * cost.by_key.get(key, 0.0):.0f}" for cost in costs]
    return f"{text}; this field's share {', '.join(shares)} %" if set(shares) != {"0"} else text
