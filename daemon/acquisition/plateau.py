"""When a reading stands still under a person's hands, and on what level.

Hands shake the balance a thousand times more than the bench does, so that a filter which learns what is noise
learns the wrong thing. To tell sample on from sample off a plain look is enough: the readings of the last
moments lie close together.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from .settings import AGAIN, FEWEST, ROOM, STILL


class Levels:
    """Hears readings one by one; ``width`` in kg is the least that counts as a change of level."""

    def __init__(self, width: float) -> None:
        self._least = self.width = width  # what lies closer together is one level
        self._recent: deque[tuple[float, float]] = deque()
        self._reported = 0.0

    def reset(self) -> None:
        """What came before does not count."""
        self._recent.clear()

    def quiet(self, since: float) -> None:
        """A reading is accepted on a level that began at ``since`` (s): readings since then are those of the
        bench at rest, if they are enough to tell how much it strays."""
        rest = [reading for reading in self._recent if reading[0] >= since]
        if _enough(rest):
            self.width = max(self._least, ROOM * _range(rest))

    def feed(self, time: float, value: float | None) -> float | None:
        """One reading (s, kg; None where there is no number); the level in kg when there is one to tell."""
        if value is None or (self._recent and time < self._recent[-1][0]):
            self.reset()
            return None
        self._recent.append((time, value))
        while len(self._recent) > FEWEST and time - self._recent[1][0] >= STILL:
            self._recent.popleft()
        if not _enough(self._recent) or _range(self._recent) > self.width:
            self._reported = time - AGAIN
            return None
        if time - self._reported < AGAIN:
            return None
        self._reported = time
        return sum(v for _, v in self._recent) / len(self._recent)


def _enough(readings: Sequence[tuple[float, float]]) -> bool:
    return len(readings) >= FEWEST and readings[-1][0] - readings[0][0] >= STILL


def _range(readings: Sequence[tuple[float, float]]) -> float:
    values = [v for _, v in readings]
    return max(values) - min(values)
