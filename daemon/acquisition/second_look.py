"""A level that stands where nothing expects it, shortly after a disturbance, is looked at once more."""

from __future__ import annotations

import math

from ...analysis.settling import Settling
from .settings import LATELY, PAUSE, UNEXPECTED


class SecondLook:
    """Lets an accepted level wait once; it never changes the level, nor whether the filter accepts it.

    ``expected`` is the predicted reading and its standard uncertainty (kg), None where nothing predicts it.
    """

    def __init__(self, expected: tuple[float, float] | None = None) -> None:
        self._expected = expected
        self._disturbed: float | None = None
        self._until: float | None = None
        self.waits = False  # whether a level that the filter accepts does not count yet

    def hear(self, time: float, settling: Settling) -> None:
        """The filter's state at ``time`` (s): was the balance disturbed, is the level to wait?"""
        if settling.event == "moving" or settling.reason == "disturbed":
            self._disturbed = time
        if settling.accepted and self._until is None and self._unexpected(time, settling):
            self._until = time + PAUSE
        self.waits = self._until is not None and time < self._until

    def _unexpected(self, time: float, settling: Settling) -> bool:
        if self._expected is None or self._disturbed is None or time - self._disturbed > LATELY:
            return False
        if settling.value is None or settling.u is None:
            return False
        value, u = self._expected
        return abs(settling.value - value) > UNEXPECTED * math.hypot(settling.u, u)
