"""Two taps on the pan: a person's "done" when both hands are full.

A tap is a finger that rests on the pan for a moment. Nothing a bench does by itself looks like two of them:
the reading stands still, rises far above all disturbances and comes back, twice, and stands where it stood.
What a person changes on the pan leaves another level behind, so that it is not taken for a word.
"""

from __future__ import annotations

from collections import deque
from itertools import groupby

#: A tap presses with more than this part of the capacity: 11 g on a balance of 220 g.
PRESS = 0.05
#: The reading stands where it stood within this part of a press, or so many digits.
SAME_SHARE, SAME_DIGITS = 0.02, 20.0
#: The reading stands still for CALM before the first tap and after the second; a press, and the pause between
#: two of them, lasts no longer than LONGEST; a filter in the balance draws the first rise out by EDGE. All s.
CALM, LONGEST, EDGE = 0.7, 2.5, 0.6
#: Two presses with all that belongs to them take no longer, s.
WINDOW = 3 * LONGEST + 2 * CALM + EDGE


class Taps:
    """Hears readings one by one; ``capacity`` and ``resolution`` in kg."""

    def __init__(self, capacity: float, resolution: float) -> None:
        self._press = PRESS * capacity
        self._same = max(SAME_SHARE * self._press, SAME_DIGITS * resolution)
        self._recent: deque[tuple[float, float]] = deque()

    def reset(self) -> None:
        """What came before does not count."""
        self._recent.clear()

    def feed(self, time: float, value: float | None, mark: str | None = None) -> bool:
        """One reading (s, kg; None where there is no number); True when the second tap is over."""
        if value is None and mark != "overload":
            self.reset()
            return False
        self._recent.append((time, float("inf") if value is None else value))
        while time - self._recent[0][0] > WINDOW:
            self._recent.popleft()
        if value is None or max(v for _, v in self._recent) <= value + self._press or not self._twice(time):
            return False
        self.reset()
        return True

    def _twice(self, now: float) -> bool:
        """Whether the readings kept end with two taps that are over."""
        level = self._still(now - CALM, now)
        if level is None:
            return False
        runs = [
            (down, [t for t, _ in run])
            for down, run in groupby(self._recent, key=lambda reading: reading[1] > level + self._press)
        ]
        if len(runs) < 5 or not runs[-2][0]:
            return False
        stood, *taps, _ = (times for _, times in runs[-5:])
        if any(times[-1] - times[0] > LONGEST for times in taps):
            return False
        if len(runs) > 5 and stood[-1] - stood[0] <= LONGEST:
            return False  # a third one before them
        first = taps[0][0] - EDGE
        before = self._still(first - CALM, first)
        lifted = min(v for t, v in self._recent if t >= first) < level - self._press
        return before is not None and abs(before - level) <= self._same and not lifted

    def _still(self, start: float, end: float) -> float | None:
        """The mean of the readings from ``start`` to ``end`` where they stand still, else None."""
        if self._recent[0][0] > start:
            return None
        values = [v for t, v in self._recent if start <= t <= end]
        if len(values) < 2 or max(values) - min(values) > self._same:
            return None
        return sum(values) / len(values)
