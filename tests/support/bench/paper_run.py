"""Runs done on paper: planned, and taken up to a step, event by event, with no thread and no store."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

from tests.support.bench.virtual_bench import BENCH_TEXT
from weighloop.daemon.procedure.plan import RunPlan, make_plan
from weighloop.daemon.procedure.run import LogEvent, RunRecord, apply


@cache
def lift_plan() -> RunPlan:
    return make_plan(BENCH_TEXT.format(ladder="lift"), 5)


@cache
def spacer_plan() -> RunPlan:
    return make_plan(BENCH_TEXT.format(ladder="spacers"), 16)


def planned(plan: RunPlan, ladder: str) -> RunRecord:
    data = {
        "sample": "WP-07-1",
        "ladder": ladder,
        "bench_text": "",
        "target_u_kg": 2e-6,
        "seconds": plan.seconds,
        "steps": list(plan.steps),
        "limits": plan.limits,
    }
    return apply(RunRecord(1), LogEvent(1, 1, 0.0, "u", "planned", "", data))


def take(run: RunRecord, value: float) -> RunRecord:
    """The next step, done with this reading (kg)."""
    step = run.next_step
    assert step is not None
    number = 10 + len(run.points) + run.done
    if step["kind"] == "turn":
        data: dict[str, Any] = {"orientation": step["orientation"], "sample_on": True, "step_done": True}
        return apply(run, LogEvent(number, 1, 0.0, "u", "hands", "", data))
    point = {
        **{key: step[key] for key in ("step", "kind", "leg", "gap_m", "height_m", "spacers", "orientation")},
        "value_kg": value,
        "u_kg": 1e-6,
        "drift_kg_per_s": 0.0,
        "time_s": float(number),
        "utc": "u",
        "settled_in_s": 3.0,
        "temperature_K": 294.0,
        "hall_V": 2.5,
        "vibration_V": None,
        "set_aside": None,
        "note": "",
    }
    run = replace(run, orientation=step["orientation"], spacers=step["spacers"])
    return apply(run, LogEvent(number, 1, 0.0, "u", step["kind"], "", {"point": point}))


def until(run: RunRecord, leg: int, points: int) -> RunRecord:
    """Done up to this many points of a leg."""
    while sum(p["kind"] == "point" and p["leg"] == leg for p in run.points) < points:
        run = take(run, -0.01)
    return run
