"""The first second of readings: what it says of the noise, and when it is no noise but hands at work."""

from __future__ import annotations

from collections import deque

from .settings import (
    AGAIN,
    AGAIN_TIME,
    DYING,
    FEWEST,
    FIRST_LOOK,
    FLAT_TIME,
    LONGEST_LOOK,
    MOST_SWING,
    ONE_WAY,
    SHRINKING,
)

Readings = list[tuple[float, float]]


def spread(readings: Readings) -> float:
    """Largest less smallest value of (time, value) readings."""
    values = [y for _, y in readings]
    return max(values) - min(values)


class FirstLook:
    """Holds the latest second of (time, value) readings; times in s, values in resolutions.

    The scale of noise is taken from how far they spread, so they must be the bench at rest. A program may be
    opened while the sample is being put down: then the first look lasts until the change has died away, and
    it is taken again if a much calmer second follows.
    """

    def __init__(self) -> None:
        self._readings: deque[tuple[float, float]] = deque()
        self._opened: float | None = None  # time of the first reading
        self._taken: float | None = None  # spread of the second that was taken
        self._flat_since: float | None = None  # time from which on every second was much calmer than that

    def feed(self, time: float, value: float) -> Readings | None:
        """The readings to begin (or begin again) with, or None."""
        if self._opened is None:
            self._opened = time
        if self._taken is not None and time - self._opened > AGAIN_TIME:
            return None
        readings = self._readings
        readings.append((time, value))
        while len(readings) > FEWEST and time - readings[1][0] >= FIRST_LOOK:
            readings.popleft()
        window = list(readings)
        if time - window[0][0] < FIRST_LOOK or len(window) < FEWEST:
            return None
        across = spread(window)
        if self._taken is None:
            newer = window[len(window) // 2 :]
            left = spread(newer)
            dies = across > DYING and left < SHRINKING * across
            goes = left > DYING and abs(newer[-1][1] - newer[0][1]) > ONE_WAY * left
            wait = (dies or goes) and time - self._opened < LONGEST_LOOK
        elif across > AGAIN * (self._taken - DYING):
            wait, self._flat_since = True, None
        else:
            self._flat_since = time if self._flat_since is None else self._flat_since
            wait = self._taken <= 2 * MOST_SWING and time - self._flat_since < FLAT_TIME
        if wait:
            return None
        self._taken, self._flat_since = across, None
        return window
