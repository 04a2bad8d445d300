"""What the procedure has written down: the entries of the log, in words and in data."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from ..protocol import Point, Step
from ..text import number
from .events import Act, Record, Task
from .restart import Restart
from .run import RunRecord


def held(why: str, code: str) -> Record:
    """The run waits; ``code`` says for what in a word."""
    return Record("held", f"Held: {why}", {"why": why, "code": code})


def set_aside(points: Iterable[Point], why: str) -> list[Act]:
    """These points, once each, must not be used."""
    return [
        Record("set-aside", f"Reading {number} set aside: {why}", {"point": number, "why": why})
        for number in dict.fromkeys(p["id"] for p in points)
    ]


def restarted(why: str, plan: Restart, code: str = "") -> Record:
    """A branch is walked again, or a zero read again; ``code``: because of what, in a word."""
    legs = ", ".join(str(leg) for leg in plan.spoilt_legs)
    text = f"Started again through the largest field, leg {legs}: {why}" if legs else f"Zero again: {why}"
    if any("current_A" in step for step in plan.steps):
        text = f"Read again at this gap, with both directions of the current: {why}"
    data = {
        "why": why,
        "code": code,
        "steps": list(plan.steps),
        "legs": list(plan.spoilt_legs),
        "set_aside": {str(number): reason for number, reason in plan.set_aside.items()},
    }
    return Record("restarted", text, data)


def reading_of(run: RunRecord, step: Step, reading: dict[str, Any]) -> Record:
    """One accepted reading of a step."""
    point = {
        "step": step["step"],
        "kind": step["kind"],
        "leg": step["leg"],
        "gap_m": step["gap_m"],
        "height_m": step["height_m"],
        "spacers": step["spacers"],
        "orientation": step["orientation"],
        "set_aside": None,
        "note": "",
        **({"current_A": run.current_A} if run.coil else {}),
        **({"seat_m": step["seat_m"]} if "seat_m" in step else {}),
        **reading,
    }
    gram = reading["value_kg"] * 1e3
    amps = point.get("current_A")
    place = f" with {number(amps * 1e3, '+.2f')} mA" if amps is not None else ""
    place += f" at {step['gap_m'] * 1e3:.2f} mm" if step["gap_m"] is not None else ""
    text = f"{step['kind'].capitalize()}{place}: {number(gram, '.4f')} g ± {reading['u_kg'] * 1e6:.2g} mg"
    return Record(step["kind"], text, {"point": point})


def turned(run: RunRecord, task: Task) -> Record:
    """The lift has turned the sample over, and its switch confirms it."""
    assert task.step is not None
    way = task.step["orientation"]
    data = {"orientation": way, "step": task.step["step"] if task.step["kind"] == "turn" else None}
    return Record("turned", f"{run.sample} is turned to {number(way, '+d')}.", data)


def switched(asked: float | None, current: float) -> Record:
    """The lift's source has switched the coil's current, and its shunt shows it."""
    data = {"current_asked_A": asked, "current_A": current}
    return Record("current", f"The coil's current is {number(current * 1e3, '+.2f')} mA.", data)


def hands_done(run: RunRecord, task: Task, how: str, current: float | None = None) -> Record:
    """What was asked of the person is done; ``how`` that became known, and the coil's ``current`` (A) where
    it was read on a meter."""
    assert task.step is not None
    data: dict[str, Any] = {"code": task.code, "how": how}
    if task.code == "remove-sample":
        data["sample_on"] = False
    elif task.code == "place-sample":
        data |= {"sample_on": True, "orientation": task.step["orientation"]}
        if run.spacers_with_sample:
            data["spacers"] = task.step["spacers"]
    elif task.code == "set-current":
        asked = task.step.get("current_A", 0.0)
        data |= {"current_asked_A": asked, "current_A": asked if current is None else current}
    elif task.code == "move-seat":
        data["seat_m"] = task.step.get("seat_m")
    elif task.code == "set-spacers":
        data["spacers"] = task.step["spacers"]
    elif task.code == "turn-over":
        data |= {"orientation": task.step["orientation"], "step_done": True}
    return Record("hands", f"Done ({how}): {task.text}", data)
