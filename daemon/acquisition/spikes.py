"""Readings that stand alone: a flipped bit makes another number of a line that carries no check.

The line's grammar cannot tell such a number from a true one, its neighbours can: a pan does not leap by
hundreds of digits and back within a reading or two. The settling filter weighs outliers of an ordinary
size itself; one of a million digits would spoil what it knows of the noise.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from statistics import median

from ...drivers.device import BalanceReading
from .settings import DIFFERENCES, LEAP, LEAP_BACK, LEAP_USUAL, MOST_DAMAGED


class SpikeFilter:
    """Holds a leaping reading back until the next ones tell whether it stood alone. ``resolution`` in kg.

    Order and times stay; while the pan really moves a reading comes out two readings late at most.
    ``alone`` hears of each that stood alone; ``dropped`` counts them.
    """

    def __init__(
        self, resolution: float, alone: Callable[[BalanceReading], None] = lambda reading: None
    ) -> None:
        self._resolution, self._alone = resolution, alone
        self._before: float | None = None  # the last one let through
        self._held: list[BalanceReading] = []
        self._usual: deque[float] = deque(maxlen=DIFFERENCES)
        self.dropped = 0

    def feed(self, reading: BalanceReading) -> list[BalanceReading]:
        """One reading in; those to be followed now out."""
        held, before, value = self._held, self._before, reading.value
        if value is None:  # overload: what comes after it starts again
            out = self._let_through(reading)
            self._before = None
            return out
        leap = max(LEAP * self._resolution, LEAP_USUAL * median(self._usual or [0.0]))
        if before is None:
            return self._at_first(reading, leap)
        if held and abs(value - before) <= min(LEAP_BACK * abs(_value(held[0]) - before), leap):
            self._drop(len(held))
            return self._let_through(reading)
        if abs(value - (_value(held[-1]) if held else before)) <= leap or len(held) == MOST_DAMAGED:
            return self._let_through(reading)
        held.append(reading)
        return []

    def forget(self) -> None:
        """Another level begins: what is held belongs to the one before."""
        self._held.clear()
        self._before = None

    def _at_first(self, reading: BalanceReading, leap: float) -> list[BalanceReading]:
        """Nothing to compare with yet: two that agree say which of the first three stood alone."""
        held = self._held
        near = [abs(_value(reading) - _value(other)) <= leap for other in held]
        if len(held) < MOST_DAMAGED and not any(near):
            held.append(reading)
            return []
        if len(held) == MOST_DAMAGED and sum(near) == 1:
            self._drop(1, at=near.index(False))
        return self._let_through(reading)

    def _drop(self, count: int, at: int = 0) -> None:
        for reading in self._held[at : at + count]:
            self._alone(reading)
        del self._held[at : at + count]
        self.dropped += count

    def _let_through(self, reading: BalanceReading) -> list[BalanceReading]:
        out = [*self._held, reading]
        self._held.clear()
        for one in out:
            if one.value is not None:
                if self._before is not None:
                    self._usual.append(abs(one.value - self._before))
                self._before = one.value
        return out


def _value(reading: BalanceReading) -> float:
    assert reading.value is not None
    return reading.value
