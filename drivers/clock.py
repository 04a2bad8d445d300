"""Time as an input: everything that waits or stamps takes a clock."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """A monotonic clock in seconds, with a sleep that follows it."""

    @property
    def rate(self) -> float:
        """How many of its seconds pass in one of the machine's; 1 but in rehearsals."""
        ...

    def now(self) -> float:
        """Seconds, monotonic; the origin means nothing."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait for that long on this clock."""
        ...


class RealClock:
    """The machine's monotonic clock, optionally running ``rate`` times as fast as life.

    A rate above 1 is for rehearsals: the far end of the ports runs at the same rate.
    """

    def __init__(self, rate: float = 1.0) -> None:
        if not rate > 0:
            raise ValueError("a clock's rate is above zero")
        self.rate = rate
        self._origin = time.monotonic()

    def now(self) -> float:
        return self._origin + (time.monotonic() - self._origin) * self.rate

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds / self.rate)
