"""The zeros of a run: readings with the sample off, or pairs at the far end with the sample either way up.

Turned over far out the sample pulls as hard as it pushed before: half the sum of the two is the zero. Good
enough to go by while a run is under way; the analysis makes more of these readings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from .protocol import Point


@dataclass(frozen=True)
class Zero:
    """The balance's zero as it was found once. ``id`` is that of the reading that completed it; kg."""

    id: int
    value: float
    u: float
    spacers: int | None


def zeros(points: Iterable[Point]) -> list[Zero]:
    """The zeros among the ``points`` of a run, in the order taken; what is set aside makes none.

    Two readings at one height of a lift make one where the sample was turned over between them and nothing
    else was read.
    """
    found: list[Zero] = []
    last: Point | None = None
    for point in points:
        if point["set_aside"] is not None:
            last = None
            continue
        if point["kind"] == "zero":
            found.append(Zero(point["id"], point["value_kg"], point["u_kg"], point["spacers"]))
        elif last is not None and _paired(last, point):
            value = (last["value_kg"] + point["value_kg"]) / 2
            found.append(Zero(point["id"], value, math.hypot(last["u_kg"], point["u_kg"]) / 2, None))
        last = point
    return found


def _paired(first: Point, second: Point) -> bool:
    kinds = first["kind"] == second["kind"] == "point" and first["spacers"] is second["spacers"] is None
    return (
        kinds
        and "current_A" not in first
        and first["orientation"] == -second["orientation"]
        and first["height_m"] is not None
        and first["height_m"] == second["height_m"]
    )
