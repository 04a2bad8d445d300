"""The readings of a coil in the sample's place: at which gaps, either end down, with which current.

At every gap the current goes + - - +, so that zero and a steady drift drop out. A coil has no memory: the
gaps may be met in any order. They are spaced evenly in the logarithm of the gap, out to where the pull has
fallen to a part of its largest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..errors import NotPossible
from ..forces.force import force_per_kg, reading_change
from ..magnetostatics.current_loop import coil_gradient, turn_area
from ..records.arrays import Floats
from ..records.bench import Bench, Coil
from .gap_ladder import check_pull
from .placing import reachable
from .settings import (
    AMPERE_TURNS,
    CHECK_HEIGHT,
    COIL_REACH,
    HOT_COIL,
    SCAN_HEIGHTS,
    SECONDS_TO_MOVE,
    SECONDS_TO_SETTLE,
    SECONDS_TO_TURN,
    WARM_COIL,
    WEAK_COIL,
)

#: Signs of the current at one stop.
REVERSALS = (1, -1, -1, 1)


@dataclass(frozen=True)
class CoilReading:
    """One reading to take: ``height`` and ``gap`` in m, ``end`` +1 or -1 for the coil's end that is down,
    ``current`` in A, ``reading`` (kg) what it is expected to change the balance's by."""

    height: float
    gap: float
    spacers: int | None
    end: int
    current: float
    reading: float
    #: x and y of the coil's seat, m, where it is moved sideways.
    seat: tuple[float, float] | None = None


@dataclass(frozen=True)
class CoilPlan:
    """A whole calibration, in the order taken. ``largest_pull`` and ``pan_load`` in kg."""

    readings: tuple[CoilReading, ...]
    largest_pull: float
    pan_load: float
    seconds: float
    warnings: tuple[str, ...]


def plan_coil(bench: Bench, heights: int, *, current: float | None = None, ends: int = 2) -> CoilPlan:
    """Plan the weighing of the bench's coil at ``heights`` gaps, one or both ``ends`` down, with ``current``
    (A; None: 14 ampere-turns, rounded to 1 mA). One gap alone is for checking a calibration.

    Raises NotPossible for a bench file without [coil], a current that would burn it, or too strong a pull.
    """
    coil = bench.coil
    if coil is None:
        raise NotPossible(
            "the bench file describes no coil: add a table [coil] with turns, inner_diameter, outer_diameter "
            "and height"
        )
    amperes = abs(current) if current else max(round(AMPERE_TURNS / coil.turns, 3), 1e-3)
    warnings: list[str] = []
    can, pitch = reachable(bench, warnings)
    warnings.clear()  # they are about a sample
    pulls = amperes * turn_area(coil).value * coil_gradient(bench.reference_magnet, coil, _gaps(bench, can))
    chosen = _chosen(bench, can, pulls, heights)
    largest = float(np.max(np.abs(pulls[chosen])))
    pan_load, _ = check_pull(bench, largest, warnings)
    _check_heat(coil, amperes, warnings)
    weakest = float(np.min(np.abs(pulls[chosen]))) / force_per_kg(bench.site)
    if weakest < WEAK_COIL * bench.balance.resolution:
        warnings.append(
            f"at the farthest gap the coil is pulled by only {weakest * 1e6:.0f} mg, "
            f"{weakest / bench.balance.resolution:.0f} digits: more turns or more current would tell more"
        )
    if heights > 1 and len(chosen) < heights:
        warnings.append(f"only {len(chosen)} different gaps can be set, fewer than the {heights} asked for")
    readings = [
        CoilReading(
            float(can[k]),
            float(_gaps(bench, can[k : k + 1])[0]),
            round(can[k] / pitch) if bench.gap.ladder == "spacers" else None,
            end,
            sign * amperes,
            sign * float(np.asarray(reading_change(pulls[k], bench))),
        )
        for end in (1, -1)[:ends]
        for k in chosen[::-1]
        for sign in REVERSALS
    ]
    stops = len(chosen) * ends
    seconds = len(readings) * SECONDS_TO_SETTLE + stops * SECONDS_TO_MOVE[bench.gap.ladder]
    return CoilPlan(
        tuple(readings),
        largest / force_per_kg(bench.site),
        float(pan_load),
        float(seconds + ends * SECONDS_TO_TURN),
        tuple(warnings),
    )


def plan_scan(bench: Bench, aside: float, *, current: float | None = None) -> CoilPlan:
    """Plan the weighing of the coil at one gap, its seat in the middle and ``aside`` (m) to each side, for
    the magnet's axis: at the height where moving it changes its pull the most. Raises as ``plan_coil``."""
    plan = plan_coil(bench, SCAN_HEIGHTS, current=current, ends=1)
    assert bench.coil is not None
    heights = sorted({reading.height for reading in plan.readings})
    gaps = _gaps(bench, np.array(heights))
    beside, above = (coil_gradient(bench.reference_magnet, bench.coil, gaps, far) for far in (aside, 0.0))
    height = heights[int(np.argmax(np.abs(beside - above)))]
    stop = [reading for reading in plan.readings if reading.height == height]
    places = ((0.0, 0.0), (-aside, 0.0), (aside, 0.0), (0.0, -aside), (0.0, aside), (0.0, 0.0))
    readings = tuple(replace(reading, seat=seat) for seat in places for reading in stop)
    each = SECONDS_TO_SETTLE * len(stop) + SECONDS_TO_TURN + SECONDS_TO_MOVE[bench.gap.ladder]
    return replace(plan, readings=readings, seconds=float(len(places) * each))


def _gaps(bench: Bench, heights: Floats) -> Floats:
    return np.asarray(bench.gap.at_height(heights), float)


def _chosen(bench: Bench, can: Floats, pulls: Floats, count: int) -> list[int]:
    """Which of the heights that can be set, rising."""
    if count == 1:
        return [int(np.argmin(np.abs(can - CHECK_HEIGHT)))]
    gaps = _gaps(bench, can)
    strong = np.flatnonzero(np.abs(pulls) >= COIL_REACH * np.max(np.abs(pulls)))
    wanted = np.geomspace(gaps[0], gaps[strong[-1]], count)
    return sorted({int(np.argmin(np.abs(gaps - gap))) for gap in wanted})


def _check_heat(coil: Coil, amperes: float, warnings: list[str]) -> None:
    if coil.resistance is None:
        return
    watts = amperes**2 * coil.resistance.value
    said = f"{amperes * 1e3:.1f} mA heat the coil by {watts * 1e3:.0f} mW"
    if watts > HOT_COIL:
        raise NotPossible(f"{said}, more than the {HOT_COIL * 1e3:.0f} mW that it bears: use less current")
    if watts > WARM_COIL:
        warnings.append(f"{said}: above {WARM_COIL * 1e3:.0f} mW its area and the air about it move")
