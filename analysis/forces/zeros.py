"""Readings against their zeros: zero - load - zero takes a steady drift out of a reading.

With spacers each row has its own zeros. With a lift a pair brackets a whole passage, or none is read at all
and readings at the far end tell the zero: it is then followed through the run as a smooth function of time
(``zero_drift``), and is an unknown of the fit. Rows that share a zero share its error.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..records.arrays import Floats
from ..records.bench import Balance, Bench
from ..records.readings import Readings
from .settings import ENOUGH_PAIRS, FEWEST_ROWS, LEAST_MODE, LEVEL, PER_READING, USUAL_WANDER
from .zero_drift import ZeroDrift, ZeroReadings, ZeroStep, main_root, on_lines, smooth, with_wander

#: A digital balance resolves to one step: a rectangular error one step wide (JCGM 100, F.2.2.1).
_STEP = 1.0 / np.sqrt(12.0)

ZeroSteps = tuple[ZeroStep, ...]


@dataclass(frozen=True, eq=False)
class KnownZeros:
    """Zeros by which the zero is followed: ``all`` of them, those ``apart`` which do not come from readings
    that have a say in the fit, and ``steps`` where the zero may have jumped as hands were at the bench."""

    all: ZeroReadings
    apart: ZeroReadings
    steps: ZeroSteps = ()


@dataclass(frozen=True)
class Zeros:
    """What each reading changed by, and how well that is known. Masses in kg.

    ``change`` (n,) is reading minus zero; ``u_reading`` (n,) the standard uncertainty of the reading alone.
    ``root`` (n, k): errors of the zeros by k standard normal numbers, which rows share. ``jump`` (n,) is the
    zero after minus the zero before (NaN where not both are given). ``track`` is the zero as it was followed
    through the whole run, None where each row has zeros of its own.
    """

    change: Floats
    u_reading: Floats
    root: Floats
    jump: Floats
    track: ZeroTrack | None = None

    @property
    def u_change(self) -> Floats:
        """Standard uncertainty of ``change`` (n,), kg: each reading's own part and its zeros'."""
        return np.sqrt(self.u_reading**2 + (self.root**2).sum(axis=1))


@dataclass(frozen=True, eq=False)
class ZeroTrack:
    """The zero at every row, taken at ``time`` (n,), s, as it may be before a fit.

    ``unknown`` (n, s), kg, by s standard normal numbers, of which ``begun`` (s,) make the zero that was
    taken off. ``zeros`` are those it was followed by, ``drift`` what was thought of it before, ``found`` the
    moments at which the loop said that it jumped.
    """

    time: Floats
    unknown: Floats
    begun: Floats
    zeros: ZeroReadings
    drift: ZeroDrift
    found: ZeroSteps


def repeatability(readings: Readings, balance: Balance) -> float:
    """Standard uncertainty (kg) of a reading that came without one.

    The rounding of the display, and the scatter seen between zeros before and after where there are
    enough of them; else one step of the display (a balance repeats to about its last digit: common
    practice, no source).
    """
    rounding = balance.resolution * _STEP
    jump = readings.zero_after - readings.zero_before
    jump = jump[np.isfinite(jump)]
    if len(jump) >= ENOUGH_PAIRS and np.any(jump != 0):
        # Robust, as one forgotten re-zero must not pass for noise; two zeros scatter sqrt(2) wider.
        scatter = 1.4826 * float(np.median(np.abs(jump - np.median(jump)))) / np.sqrt(2.0)
        return float(np.hypot(rounding, scatter))
    return float(np.hypot(rounding, balance.resolution))


def bracket(readings: Readings, bench: Bench, far: KnownZeros | None = None, steps: ZeroSteps = ()) -> Zeros:
    """Each reading less its zero.

    Where a lift keeps the sample up through whole passages the zero is followed through the run
    (``zero_drift``), by the zeros noted or, with none, by what ``far`` readings tell; ``steps`` are jumps
    that were found. Else a reading's zero is the mean of those around it. A zero not given is 0: the balance
    was re-zeroed.
    """
    own = repeatability(readings, bench.balance)
    u_reading = np.where(np.isfinite(readings.u_reading), readings.u_reading, own)
    rounding = bench.balance.resolution * _STEP
    before, after = readings.zero_before, readings.zero_after
    # All zeros alike: the key was pressed each time, and only its rounding is left.
    given = np.concatenate([before[np.isfinite(before)], after[np.isfinite(after)]])
    pressed = len(given) > 2 and np.ptp(given) == 0.0
    u_zero = np.full(len(readings), rounding) if pressed else np.maximum(rounding, u_reading)
    time, stretches = row_times(readings), _passages(readings)
    if bench.gap.ladder == "lift" and time is not None:
        if len(given) and len(readings) >= FEWEST_ROWS * len(stretches):
            zeros, again = _noted(readings, time, stretches, u_zero)
            return _followed(readings, time, u_reading, KnownZeros(zeros, zeros, again), steps)
        if not len(given) and far is not None:
            return _followed(readings, time, u_reading, far, steps)
    return _one_by_one(readings, u_reading, u_zero, rounding)


def row_times(readings: Readings) -> Floats | None:
    """When the rows were taken, s (n,): as noted, or by their order where no time is. None where it runs back
    or is noted for some rows only."""
    time = readings.time
    if not np.any(np.isfinite(time)):
        time = np.asarray(PER_READING * np.arange(len(readings)), np.float64)
    forward = len(time) > 1 and bool(np.all(np.diff(time) >= 0)) and time[-1] > time[0]
    return time if forward else None


def _one_by_one(readings: Readings, u_reading: Floats, u_zero: Floats, rounding: float) -> Zeros:
    """Every row with zeros of its own, or shared with the row beside."""
    n = len(readings)
    before, after = readings.zero_before, readings.zero_after
    values: list[float] = []
    columns: list[Floats] = []
    zero, u_reading = np.zeros(n), u_reading.copy()
    last: int | None = None  # the zero after the last row, which may be the next row's zero before
    for row in range(n):
        given = [float(value[row]) for value in (before, after) if np.isfinite(value[row])]
        events: list[int] = []
        for k, value in enumerate(given):
            shared = k == 0 and last is not None and np.isfinite(before[row]) and values[last] == value
            if not shared:
                values.append(value)
                columns.append(np.zeros(n))
            events.append(last if shared and last is not None else len(values) - 1)
        last = events[-1] if np.isfinite(after[row]) else None
        for event in events:
            columns[event][row] = float(u_zero[row]) / len(events)
            zero[row] += values[event] / len(events)
        if not events:
            u_reading[row] = np.hypot(u_reading[row], rounding)
    root = np.array(columns).reshape(-1, n).T
    return Zeros(readings.reading - zero, u_reading, root, after - before)


def _passages(readings: Readings) -> list[tuple[int, int]]:
    """Stretches [start, stop) of rows that lie between one pair of zeros."""
    pair = np.nan_to_num(np.stack([readings.zero_before, readings.zero_after]), nan=np.inf)
    new = np.any(pair[:, 1:] != pair[:, :-1], axis=0)
    return list(pairwise([0, *(np.flatnonzero(new) + 1).tolist(), len(readings)]))


def _noted(
    readings: Readings, time: Floats, stretches: list[tuple[int, int]], u_zero: Floats
) -> tuple[ZeroReadings, ZeroSteps]:
    """The zeros noted around passages, and a step wherever the balance was re-zeroed between two of them. A
    zero before the first row or after the last is one row's time away, others are between their rows."""
    usual = float(np.median(np.diff(time)))
    time = np.concatenate([[time[0] - 2.0 * usual], time, [time[-1] + 2.0 * usual]])
    found: list[tuple[float, float, float]] = []
    again: list[ZeroStep] = []

    def between(row: int, part: float) -> float:
        return float((1.0 - part) * time[row] + part * time[row + 1])

    for k, (start, stop) in enumerate(stretches):
        before, after = float(readings.zero_before[start]), float(readings.zero_after[stop - 1])
        earlier = float(readings.zero_after[start - 1]) if k else np.nan
        following = float(readings.zero_before[stop]) if stop < len(readings) else after
        if np.isfinite(before) and before != earlier:
            found.append((between(start, 0.75 if k else 0.5), before, float(u_zero[start])))
            again += [ZeroStep(between(start, 0.5), LEVEL)] if np.isfinite(earlier) else []
        if np.isfinite(after):
            found.append((between(stop, 0.5 if following == after else 0.25), after, float(u_zero[stop - 1])))
    return ZeroReadings(*np.array(found).T), tuple(again)


def _followed(
    readings: Readings, time: Floats, u_reading: Floats, zeros: KnownZeros, found: ZeroSteps
) -> Zeros:
    """The zero as a smooth function of time; the fit begins with what those ``apart`` say, as the others are
    among its own readings."""
    begin = float(min(time[0], zeros.all.time.min(initial=np.inf)))
    usual = USUAL_WANDER * float(np.median(u_reading))
    drift = ZeroDrift(begin, 0.0, steps=(*zeros.steps, *found)).wandering(usual)
    drift = with_wander(drift, zeros.all)
    least = LEAST_MODE * float(np.median(u_reading))
    nodes = drift.nodes(time)
    known, before = smooth(drift, zeros.all, nodes), smooth(drift, zeros.apart, nodes)
    root, left = (on_lines(nodes, part, time) for part in main_root(known.covariance, least))
    unknown, left_before = (on_lines(nodes, part, time) for part in main_root(before.covariance, least))
    mean, mean_before = (on_lines(nodes, part, time) for part in (known.mean, before.mean))
    left = np.maximum(left, left_before) + drift.bridged(nodes, time)
    # Where the zero that is taken off stands among those the fit may find.
    begun: Floats = np.linalg.pinv(unknown) @ (mean - mean_before)
    return Zeros(
        readings.reading - mean_before - unknown @ begun,
        np.sqrt(u_reading**2 + left),
        root,
        readings.zero_after - readings.zero_before,
        ZeroTrack(time, unknown, begun, zeros.all, drift, found),
    )
