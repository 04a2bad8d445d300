"""A run as the table every analysis starts from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..protocol import Point, Run
from ..zeros import Zero, zeros

if TYPE_CHECKING:
    from ...analysis.records.readings import Readings


#: Said of a reading far out after which no move showed clearly.
UNSURE = "no clear answer of the balance to a move, then or later, vouches for the level"


def readings_of(run: Run) -> Readings:
    """The run's points with the zeros around each; row n is the n-th point taken, from 1.

    With a lift the zeros before and after a point bracket it; with spacers a zero holds for its own number
    of spacers only, so there is one before and none after. Readings at the far end with the sample on are
    rows as all others: what they tell of the zero is for the analysis. Points set aside are kept, with the
    reason; zeros set aside are not used. What of the run's log is damaged, and readings that nothing vouches
    for, are its remarks. Raises ValueError for a run without a point.
    """
    import numpy as np

    from ...analysis.errors import Finding, about_rows
    from ...analysis.records.readings import Readings

    taken = sorted(run["points"], key=lambda point: point["id"])
    points = [p for p in taken if p["kind"] == "point"]
    if not points:
        raise ValueError(f"run {run['id']} has no reading yet")
    known = zeros(point for point in taken if point["kind"] == "zero")
    spacers = run["ladder"] == "spacers"
    before = [_before(point, known, spacers) for point in points]
    after = [math.nan if spacers else _after(point, known) for point in points]

    def column(values: Sequence[float | int | None]) -> np.ndarray:
        return np.array([math.nan if v is None else v for v in values], dtype=float)

    unsure = [row for row, p in enumerate(points, 1) if not _vouched(p)]
    remarks = [Finding("damaged-event", text) for text in run.get("warnings", ())]
    if unsure:
        remarks.append(about_rows("not-vouched", unsure, f"{UNSURE}; compare with their pairs"))
    return Readings(
        row=np.arange(1, len(points) + 1, dtype=np.int64),
        gap=column([p["gap_m"] for p in points]),
        spacers=column([p["spacers"] for p in points]),
        orientation=np.array([p["orientation"] for p in points], dtype=np.int64),
        reading=column([p["value_kg"] for p in points]),
        zero_before=column(before),
        zero_after=column(after),
        u_reading=column([p["u_kg"] for p in points]),
        temperature=column([p["temperature_K"] for p in points]),
        time=column([p["time_s"] - points[0]["time_s"] for p in points]),
        note=tuple(map(_note, points)),
        set_aside=tuple(p["set_aside"] for p in points),
        source=f"run {run['id']}",
        settled_in=column([p["settled_in_s"] for p in points]),
        started=run["started_utc"],
        remarks=tuple(remarks),
        hands_off=not spacers and all(step["kind"] != "zero" for step in run["steps"]),
        gives=run.get("gives", "loop"),
    )


def _note(point: Point) -> str:
    return "; ".join(filter(None, (point["note"], "" if _vouched(point) else UNSURE)))


def _vouched(point: Point) -> bool:
    return point.get("vouched", True) or point["set_aside"] is not None


def _before(point: Point, known: list[Zero], spacers: bool) -> float:
    earlier = [z for z in known if z.id < point["id"] and (not spacers or z.spacers == point["spacers"])]
    return earlier[-1].value if earlier else math.nan


def _after(point: Point, known: list[Zero]) -> float:
    return next((z.value for z in known if z.id > point["id"]), math.nan)
