"""Planning a run again while it is under way: what is known so far, and the steps that follow from it.

Nobody waits for the answer: the next step is begun as planned, and what comes after it is chosen while it is
under way. Where no answer comes in time, the plan goes on as it is.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TypedDict, cast

from ..protocol import Step
from .manual_steps import pull_at
from .run import RunRecord, zeros_by_hand
from .settings import LAST_DECIDED, SAME_PLACE, STEEP

#: Why a reading is taken at its place, for who sets the gap.
BENDS_HERE, MEETS_HERE = "the loop bends here", "whether the branches meet is seen here"


class Question(TypedDict):
    """What the steps after ``after`` are to be chosen by; lengths in m, masses in kg."""

    bench_text: str
    few: int
    zeros: str
    after: Step
    taken: list[tuple[int, float, int, float]]  # passage, height, orientation, change against the zero
    turns: bool  # whether a turn is a step of its own
    planned: list[Step]


def question(run: RunRecord) -> Question | None:
    """What there is to decide by after the last reading; None where the plan stands."""
    if not run.few or run.single or run.state != "running":
        return None
    last = run.points[-1] if run.points else None
    after = next((s for s in run.steps[run.done :] if s["kind"] == "point"), None)
    if last is None or last["kind"] != "point" or after is None or not 1 <= after["leg"] <= LAST_DECIDED:
        return None
    taken = [
        (p["leg"], p["height_m"], p["orientation"], pull)
        for p in run.points
        if p["kind"] == "point" and p["set_aside"] is None and p["height_m"] is not None
        if (pull := pull_at(run, p)) is not None
    ]
    at = run.steps.index(after)
    return {
        "bench_text": run.bench_text,
        "few": run.few,
        "zeros": "hand" if zeros_by_hand(run.plan) else "far",
        "after": after,
        "taken": taken,
        "turns": any(step["kind"] == "turn" for step in run.plan),
        "planned": list(run.steps[at + 1 :]),
    }


def answer(asked: Question) -> list[Step] | None:
    """The steps that follow ``after``; None where they are as planned. The heavy libraries are first loaded
    here. Raises as ``make_plan``."""
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.planning.passages import ZeroBy
    from ...analysis.planning.replanning import Taken, replanned
    from .plan import steps_of

    bench = parse_bench(asked["bench_text"])
    after, zeros = asked["after"], cast(ZeroBy, asked["zeros"])
    taken = [Taken(*one) for one in asked["taken"]]
    height = after["height_m"]
    ladder = None if height is None else replanned(bench, asked["few"], taken, after["leg"], height, zeros)
    if ladder is None:
        return None
    steps = steps_of(ladder, bench)
    steps = steps[1 + next(i for i, step in enumerate(steps) if step["kind"] == "point") :]
    if not asked["turns"]:
        steps = [step for step in steps if step["kind"] != "turn"]
    if not _differ(asked["planned"], steps):
        return None
    start = 1 + max(step["step"] for step in (after, *asked["planned"]))
    return [{**step, "step": start + i} for i, step in enumerate(_with_reasons(after, steps))]


def _differ(planned: list[Step], steps: list[Step]) -> bool:
    """Whether the readings are others, or elsewhere by more than a part of what lies between them."""
    old, new = ([s for s in of if s["kind"] == "point"] for of in (planned, steps))
    if len(old) != len(new):
        return True
    heights = [((a["height_m"] or 0.0), (b["height_m"] or 0.0)) for a, b in zip(old, new, strict=True)]
    return any(abs(a - b) > max(SAME_PLACE, 0.1 * a) for a, b in heights)


def _with_reasons(after: Step, steps: list[Step]) -> list[Step]:
    """The steps with why they lie where they lie close together: on the passage of ``after``."""
    here = [after, *(s for s in steps if s["kind"] == "point" and s["leg"] == after["leg"])]
    fields = [abs(s["H_applied_A_per_m"] or 0.0) for s in here]
    strides = [abs(b - a) for a, b in pairwise(fields)]
    usual = sum(strides) / max(len(strides), 1)
    close = {_place(step) for step, stride in zip(here[1:], strides, strict=True) if stride < STEEP * usual}
    why = MEETS_HERE if after["leg"] == LAST_DECIDED else BENDS_HERE
    return [{**s, "why": why} if s["leg"] == after["leg"] and _place(s) in close else s for s in steps]


def _place(step: Step) -> float | int | None:
    """Of spacers their number, which a zero has too; of a lift its height."""
    return step["height_m"] if step["spacers"] is None else step["spacers"]


def in_words(steps: list[Step], after: Step) -> str:
    """What was decided, for the log."""
    ahead = [s for s in steps if s["kind"] == "point" and s["leg"] == after["leg"]]
    gap = (after["gap_m"] or 0.0) * 1e3
    close = [(s["gap_m"] or 0.0) * 1e3 for s in ahead if s.get("why")]
    text = f"Planned again from {gap:.2f} mm on: {len(ahead)} more readings on this passage"
    if close:
        text += f", closest together from {close[0]:.2f} to {close[-1]:.2f} mm: "
        text += next(why for step in ahead if (why := step.get("why")))
    return f"{text}; {sum(s['kind'] == 'point' for s in steps)} in all."
