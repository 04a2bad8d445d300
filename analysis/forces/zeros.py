"""Readings against their zeros: zero - load - zero takes a steady drift out of a reading.

A zero serves every row beside it: with a lift one pair brackets a whole passage, with spacers each row
has its own. Rows that share a zero share its error, so zeros are kept as events of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..records.arrays import Floats
from ..records.bench import Balance, Bench
from ..records.readings import Readings
from .settings import ENOUGH_PAIRS

#: A digital balance resolves to one step: a rectangular error one step wide (JCGM 100, F.2.2.1).
_STEP = 1.0 / np.sqrt(12.0)


@dataclass(frozen=True)
class Zeros:
    """What each reading changed by, and how well that is known. Masses in kg.

    ``change`` (n,) is reading minus zero; ``u_reading`` (n,) the standard uncertainty of the reading alone.
    ``weights`` (n, k) says how much of each of the k zero events a row's zero holds; ``u_zero`` (k,) is
    each event's standard uncertainty. ``jump`` (n,) is the zero after minus the zero before (NaN where
    not both are given), ``span`` (n,) the number of rows between the two.
    """

    change: Floats
    u_reading: Floats
    weights: Floats
    u_zero: Floats
    jump: Floats
    span: NDArray[np.int64]

    @property
    def u_change(self) -> Floats:
        """Standard uncertainty of ``change`` (n,), kg: each reading's own part and its zeros'."""
        return np.sqrt(self.u_reading**2 + self.weights**2 @ self.u_zero**2)


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


def bracket(readings: Readings, bench: Bench) -> Zeros:
    """Each reading less its zero: the mean of the zeros around it, or, where one pair brackets a whole
    passage of a lift with times noted, the value interpolated to the row's time. A zero not given is 0:
    the balance was re-zeroed."""
    n = len(readings)
    own = repeatability(readings, bench.balance)
    u_reading = np.where(np.isfinite(readings.u_reading), readings.u_reading, own)
    rounding = bench.balance.resolution * _STEP
    before, after = readings.zero_before, readings.zero_after
    # All zeros alike: the key was pressed each time, and only its rounding is left.
    given = np.concatenate([before[np.isfinite(before)], after[np.isfinite(after)]])
    pressed = len(given) > 2 and np.ptp(given) == 0.0

    spans = _passages(readings, bench)
    values: list[float] = []
    u_values: list[float] = []
    entries: list[tuple[int, int, float]] = []  # row, event, weight
    span = np.ones(n, np.int64)

    def event(value: float, row: int) -> int:
        values.append(value)
        u_values.append(rounding if pressed else max(rounding, float(u_reading[row])))
        return len(values) - 1

    open_event: int | None = None  # the zero after the last row, which may be the next row's zero before
    for start, stop in spans:
        first, last = before[start], after[stop - 1]
        i_before = i_after = None
        if np.isfinite(first):
            shared = open_event is not None and values[open_event] == first
            i_before = open_event if shared else event(float(first), start)
        if np.isfinite(last):
            i_after = event(float(last), stop - 1)
        open_event = i_after
        for row, fraction in zip(range(start, stop), _fractions(readings.time[start:stop]), strict=True):
            span[row] = stop - start
            if i_before is not None and i_after is not None:
                entries += [(row, i_before, 1.0 - fraction), (row, i_after, fraction)]
            elif i_before is not None or i_after is not None:
                entries.append((row, i_before if i_before is not None else i_after, 1.0))  # type: ignore[arg-type]
            else:
                u_reading[row] = np.hypot(u_reading[row], rounding)

    weights = np.zeros((n, len(values)))
    for row, column, weight in entries:
        weights[row, column] += weight
    zero = weights @ np.array(values) if values else np.zeros(n)
    return Zeros(
        change=readings.reading - zero,
        u_reading=u_reading,
        weights=weights,
        u_zero=np.array(u_values),
        jump=after - before,
        span=span,
    )


def _passages(readings: Readings, bench: Bench) -> list[tuple[int, int]]:
    """Stretches [start, stop) of rows that lie between one pair of zeros."""
    n = len(readings)
    timed = bench.gap.ladder == "lift" and bool(np.all(np.isfinite(readings.time)))
    stretches: list[tuple[int, int]] = []
    start = 0
    for row in range(1, n + 1):
        same = (
            row < n
            and timed
            and readings.zero_before[row] == readings.zero_before[start]
            and readings.zero_after[row] == readings.zero_after[start]
        )
        if not same:
            stretches.append((start, row))
            start = row
    return stretches


def _fractions(times: Floats) -> Floats:
    """How far each row lies between its zeros, 0 to 1. The zeros are taken one step before the first
    row and one after the last, so a row alone lies in the middle."""
    n = len(times)
    if n == 1 or not np.all(np.isfinite(times)) or times[-1] <= times[0] or np.any(np.diff(times) < 0):
        return np.full(n, 0.5)
    step = float(np.median(np.diff(times)))
    return (times - times[0] + step) / (times[-1] - times[0] + 2 * step)
