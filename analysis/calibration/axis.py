"""Where the magnet's axis is, by the coil moved sideways: its pull is the same all round the axis.

Near the axis the pull changes with the square of the distance from it, whatever the round magnet and however
uneven its core, so a parabola through pulls at places on all sides has its top or bottom there: close to a
wide magnet the pull grows towards the rim, farther out it falls. In between a height tells nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ..errors import NotPossible
from ..files.csv_numbers import read_numbers
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.coil_readings import CoilReadings
from ..units import Measured
from .coil import pulls
from .settings import BENDS_AWAY, LEAST_BEND


@dataclass(frozen=True, eq=False)
class Pulls:
    """What the axis was found by: ``places`` (n, 2) in m, what was weighed there, ``kg_per_A`` and its ``u``
    (n,); and the parabola through it: on the axis, and its relative change by the squared distance (1/m²)."""

    places: Floats
    kg_per_A: Floats
    u: Floats
    on_axis: float
    bend: float


@dataclass(frozen=True)
class AxisFound:
    """The axis at ``x``, ``y`` (m) in the places' own coordinates; None along which nothing was moved."""

    x: Measured | None
    y: Measured | None
    pulls: Pulls

    @property
    def u(self) -> float:
        """What is left of the offset once coil or sample stand there: a standard uncertainty in m."""
        return math.hypot(*(0.0 if at is None else at.u for at in (self.x, self.y)))

    @property
    def away(self) -> Floats:
        """How far each of the places is from the axis, m (n,), as far as that is known."""
        at = [np.nan if at is None else at.value for at in (self.x, self.y)]
        return np.sqrt(np.nansum((self.pulls.places - at) ** 2, axis=1))

    def to_json(self) -> dict[str, Any]:
        """Plain types only."""
        found = {"x": self.x, "y": self.y}
        told: dict[str, Any] = {}
        for name, at in found.items():
            told |= {f"axis_{name}_m": at and at.value, f"u_axis_{name}_m": at and at.u}
        return told | {"u_offset_m": self.u}

    @property
    def words(self) -> tuple[str, ...]:
        """What was found."""
        return tuple(
            f"{name} = {1e3 * at.value:+.3f} mm +/- {1e3 * at.u:.3f} mm"
            for name, at in (("x", self.x), ("y", self.y))
            if at is not None
        )

    @property
    def advice(self) -> tuple[str, ...]:
        """What to do about it."""
        if self.x is None or self.y is None:
            other = "x" if self.x is None else "y"
            return (f"Move the coil's seat there, then scan along {other}: the offset is known by both.",)
        return (
            "Move the coil's seat there; in the bench file then:",
            f'[sample] offset = "0 mm +/- {1e3 * self.u:.3f} mm"',
        )


def axis_of_run(readings: CoilReadings, bench: Bench) -> AxisFound:
    """The axis by a run that moved the coil sideways. Raises NotPossible for another."""
    if readings.seat is None:
        raise NotPossible(f"{readings.source} did not move the coil sideways: calibrate --from coil")
    x, y = readings.seat.T
    return find_axis(x, y, readings.current, readings.reading, radius=_radius(bench), u=readings.u)


def axis_from_file(path: str | Path, bench: Bench) -> AxisFound:
    """The same from a CSV with ``x_mm``, ``y_mm``, ``current_mA``, ``reading_g`` and optionally ``u`` (g).

    Raises InputError for a faulty file.
    """
    needed = ("x_mm", "y_mm", "current_mA", "reading_g")
    table = read_numbers(path, "CSV of the coil moved sideways", needed, ("u",))
    return find_axis(
        table["x_mm"] * 1e-3,
        table["y_mm"] * 1e-3,
        table["current_mA"] * 1e-3,
        table["reading_g"] * 1e-3,
        radius=_radius(bench),
        u=None if "u" not in table else table["u"] * 1e-3,
        least_u=bench.balance.resolution / np.sqrt(12),
    )


def _radius(bench: Bench) -> float:
    """Half the reference magnet's width, m."""
    magnet = bench.reference_magnet
    widths = (magnet.diameter, magnet.outer_diameter, magnet.length, magnet.width)
    return min(width.value for width in widths if width is not None) / 2


def find_axis(
    x: ArrayLike,
    y: ArrayLike,
    current: ArrayLike,
    reading: ArrayLike,
    *,
    radius: float,
    u: ArrayLike | None = None,
    least_u: float = 0.0,
) -> AxisFound:
    """The axis from readings (kg) of a coil at places (m) and currents (A), in the order taken; all (n,).

    Every place with both directions of the current, at one height over a magnet of that ``radius`` (m), half
    its width. ``u``, ``least_u`` (kg) as of ``pulls``. The farther the axis is from the middle of the places,
    the less a parabola is true: a tenth of that is in the uncertainty, so move there and weigh again. Raises
    NotPossible where the places do not tell, or the axis is not among them.
    """
    at = np.array([np.asarray(x, float), np.asarray(y, float)])
    new = np.any(np.diff(at, prepend=np.nan) != 0, axis=0)
    stop, through = np.cumsum(new), np.asarray(current, float)
    for k in np.unique(stop):
        here = np.flatnonzero(stop == k)
        if not through[here].min() < 0 < through[here].max():
            where = " mm, y = ".join(f"{1e3 * c:g}" for c in at[:, here[0]])
            raise NotPossible(
                f"row {here[0] + 1}: at x = {where} mm the coil's current was not reversed; weigh at every "
                "place with both directions, as + - - +"
            )
    found = pulls(stop, current, reading, u=u, least_u=least_u)
    places = at[:, new]
    scale = float(np.ptp(places, axis=1).max())
    moved = np.ptp(places, axis=1) > 0.1 * scale if scale > 0 else np.zeros(2, bool)
    across = places[moved] / scale if moved.any() else places
    needed = 2 + int(moved.sum())
    # Each axis by three places of its own: a parabola is not told by two.
    few = [len(np.unique(np.round(row, 6))) < 3 for row in across]
    if not moved.any() or any(few) or len(found.per_ampere) <= needed:
        raise NotPossible(
            "these places do not tell where the axis is: move the coil along x, along y, or both, to three "
            "places or more each (as -3, 0 and +3 mm), five in all, and weigh it at each with the current "
            "reversed"
        )
    size = float(np.mean(np.abs(found.per_ampere)))
    pull, weight = np.abs(found.per_ampere) / size, size / found.u
    columns = [np.ones(len(pull)), (across**2).sum(axis=0), *across]
    design = np.array(columns).T * weight[:, None]
    covariance = np.linalg.inv(design.T @ design)
    fitted = covariance @ design.T @ (pull * weight)
    left = (pull * weight - design @ fitted) / np.sqrt(len(pull) - needed)
    covariance = covariance * max(1.0, float(left @ left))  # of a scatter larger than stated
    bend = float(fitted[1])
    if bend**2 < 9 * covariance[1, 1] or abs(bend) < LEAST_BEND * (scale / radius) ** 2:
        raise NotPossible(
            "the pull hardly changes among these places: weigh at the closest gap, or 0.7 of the magnet's "
            "radius above it, and move the coil farther to both sides"
        )
    tops: list[Measured | None] = []
    row = 2
    for axis, is_moved in enumerate(moved):
        if not is_moved:
            tops.append(None)
            continue
        top = -float(fitted[row]) / (2 * bend)
        by = np.zeros(len(fitted))
        by[row], by[1] = -1 / (2 * bend), -top / bend
        beside = BENDS_AWAY * (top - (across[row - 2].min() + across[row - 2].max()) / 2)
        u_top = float(np.hypot(np.sqrt(by @ covariance @ by), beside))
        if not across[row - 2].min() < top < across[row - 2].max():
            raise NotPossible(
                f"the axis lies beyond the places along {'xy'[axis]}: move the coil farther that way"
            )
        tops.append(Measured(top * scale, u_top * scale))
        row += 1
    on_axis = float(fitted[0] - (fitted[2:] ** 2).sum() / (4 * bend))
    parabola = Pulls(places.T, size * pull, size / weight, size * on_axis, bend / on_axis / scale**2)
    return AxisFound(tops[0], tops[1], parabola)
