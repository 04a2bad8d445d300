"""What became of a list of runs, such as a night's: readings, holds and their ends, drift, temperature."""

from __future__ import annotations

from collections import Counter
from typing import Any

from ..procedure.run import ENDED, LogEvent, RunRecord, replay
from .store import Store


def last_series(store: Store) -> int | None:
    """The number of the newest list of runs; None where there is none."""
    for line in reversed(store.runs()):
        if (series := store.record(line["id"]).series) is not None:
            return series.number
    return None


def runs_of_series(store: Store, number: int) -> list[int]:
    """The runs that run ``number`` was started with, it among them, in order."""
    series = {line["id"]: store.record(line["id"]).series for line in store.runs()}
    mine = series.get(number)
    return [
        run
        for run, other in series.items()
        if run == number or (mine and other and other.number == mine.number)
    ]


def night_of(store: Store, number: int) -> dict[str, Any]:
    """The list of runs that began with run ``number``, run by run, as plain data in SI units.

    A run that was started alone is a list of one.
    """
    runs: list[dict[str, Any]] = []
    deadline = None
    for line in store.runs():
        if line["id"] < number:
            continue
        events = list(store.events(line["id"]))
        run = replay(line["id"], events)
        if run.series is None and run.id != number:
            continue
        if run.series is not None and run.series.number != number:
            continue
        deadline = run.series.deadline_utc if run.series is not None else None
        runs.append(_run(run, events))
    return {"number": number, "deadline_utc": deadline, "runs": runs}


def _run(run: RunRecord, events: list[LogEvent]) -> dict[str, Any]:
    points = [p for p in run.points if p["kind"] == "point"]
    used = [p for p in points if p["set_aside"] is None]
    begun = next((e for e in events if e.kind == "started"), None)
    warmth = [p["temperature_K"] for p in points if p["temperature_K"] is not None]
    noise = sorted(p["u_kg"] for p in used)
    return {
        "id": run.id,
        "sample": run.sample,
        "state": run.state,
        "why": run.why,
        "started_utc": None if begun is None else begun.utc,
        "ended_utc": run.ended_utc,
        "readings": len(points),
        "in_use": len(used),
        "set_aside": dict(Counter(p["set_aside"] for p in points if p["set_aside"] is not None)),
        "hands": sum(e.kind == "hands" for e in events),
        "turns": sum(e.kind == "turned" for e in events),
        "holds": _holds(events, run.state in ENDED),
        "zeros_kg": [zero.value for zero in run.zeros],
        "zero_moved_kg": run.zero_moved,
        "u_kg": noise[len(noise) // 2] if noise else None,
        "temperature_K": [min(warmth), max(warmth)] if warmth else None,
    }


def _holds(events: list[LogEvent], ended: bool) -> list[dict[str, Any]]:
    """Each hold, why, for how long (s, by the bench's clock) and how it ended."""
    holds: list[dict[str, Any]] = []
    for event in events:
        open_hold = holds[-1] if holds and holds[-1]["end"] is None else None
        if event.kind == "held" and open_hold is None:
            holds.append({"utc": event.utc, "why": event.data["why"], "at_s": event.time_s, "end": None})
        elif open_hold is not None and event.kind in ("went-on", "stopped"):
            by = "by itself" if event.data.get("by") == "itself" else "by a person's word"
            open_hold["end"] = f"went on {by}" if event.kind == "went-on" else "the run was stopped"
            open_hold["seconds"] = max(0.0, event.time_s - open_hold["at_s"])
    for hold in holds:
        del hold["at_s"]
        if hold["end"] is None:
            hold |= {"end": "" if ended else "held still", "seconds": None}
    return holds
