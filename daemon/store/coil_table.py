"""A run that weighed a coil, as the table its calibration starts from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...analysis.errors import NotPossible
from ..protocol import Point, Run
from .store import open_store

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench
    from ...analysis.records.coil_readings import CoilReadings


def read_coil_run(
    number: int, store: str | Path | None = None, bench: Bench | None = None
) -> tuple[CoilReadings, Bench]:
    """The readings of run ``number`` of a store (None: the daemon's own), opened read only, and its bench;
    ``bench`` instead where it is given. Raises NotPossible where that run weighed no coil, or has read no
    whole stop yet."""
    from ...analysis.files.bench_file import parse_bench

    with open_store(store) as opened:
        run = opened.run(number)
    used = bench or parse_bench(run["bench_text"], f"bench of run {number}")
    return coil_readings_of(run, used), used


def coil_readings_of(run: Run, bench: Bench) -> CoilReadings:
    """The run's readings in use, stop after stop, heights by ``bench``; a stop that was not read with both
    directions of the current is left out and named. Raises NotPossible where none is left."""
    import numpy as np

    from ...analysis.records.coil_readings import CoilReadings

    number = run["id"]
    if not run.get("coil", False):
        raise NotPossible(f"run {number} weighed a sample, no coil: weighloop figures {number}")
    points: list[Point] = []
    remarks: list[str] = []
    for stop in _stops(run):
        if {1, -1} <= {_sign(point) for point in stop}:
            points += stop
        else:
            remarks.append(
                f"at {_height(stop[0], bench) * 1e3:.2f} mm the current was not reversed: left out"
            )
    if not points:
        raise NotPossible(f"run {number} has not read the coil with both directions of its current yet")

    def column(of: Any) -> np.ndarray:
        return np.array([of(point) for point in points], dtype=float)

    resistances = [r for p in points if (r := p.get("resistance_ohm")) is not None]
    return CoilReadings(
        column(lambda p: _height(p, bench)),
        column(lambda p: p["orientation"]),
        column(lambda p: p.get("current_A")),
        column(lambda p: p["value_kg"]),
        column(lambda p: p["u_kg"]),
        column(lambda p: p["time_s"]),
        sum(resistances) / len(resistances) if resistances else None,
        f"run {number}",
        tuple(remarks),
        np.array([p.get("seat_m") for p in points], float) if "seat_m" in points[0] else None,
    )


def _stops(run: Run) -> Iterator[list[Point]]:
    """The readings in use, those of one place and end together."""
    stop: list[Point] = []
    for point in run["points"]:
        if point["set_aside"] is not None or point.get("current_A") is None:
            continue
        if stop and _place(point) != _place(stop[-1]):
            yield stop
            stop = []
        stop.append(point)
    if stop:
        yield stop


def _place(point: Point) -> tuple[Any, ...]:
    return point["height_m"], point["spacers"], point["orientation"], point.get("seat_m")


def _sign(point: Point) -> int:
    current = point.get("current_A") or 0.0
    return (current > 0) - (current < 0)


def _height(point: Point, bench: Bench) -> float:
    """Above the closest position, m; spacers count by the thickness of the bench file."""
    if point["spacers"] is not None and bench.gap.spacer is not None:
        return point["spacers"] * bench.gap.spacer.value
    return point["height_m"] or 0.0
