"""Taps of a finger on the pan, counted: what a person says when both hands are full.

Nothing a bench does by itself looks like a row of taps: the reading stands still, rises far above all
disturbances and comes back, each time to where it stood. What a person changes on the pan leaves another
level behind, so that it is not taken for a word.

A count is sure or it is none. Another number would be another word, so a press too light to be one, two that
run into each other, a shoulder, a hand that leans on the pan, or a reading that is missing spoil the whole
row. What is shorter than two readings the balance may not show at all.
"""

from __future__ import annotations

from collections import deque
from itertools import accumulate, pairwise

from .settings import (
    BETWEEN_TAPS,
    CALM,
    EDGE,
    LIGHT,
    LONGEST_PRESS,
    MOST_TAPS,
    ONE,
    PRESS,
    SAME_DIGITS,
    SAME_SHARE,
    SWINGS,
    TAP_GAP,
    TWO,
)


class Taps:
    """Hears readings one by one; ``capacity`` and ``resolution`` in kg."""

    def __init__(self, capacity: float, resolution: float) -> None:
        self._capacity, self._press = capacity, PRESS * capacity
        self._light = LIGHT * self._press
        self._noise = SAME_DIGITS * resolution
        self._same = max(SAME_SHARE * self._press, self._noise)
        self._recent: deque[tuple[float, float]] = deque()
        #: When the row under way began, s; None while there is none.
        self.began: float | None = None
        #: How many presses of it are over.
        self.heard = 0
        self._row: list[float] = []  # heights above the level, kg
        self._level = self._rose = self._over = 0.0

    def feed(self, time: float, value: float | None, mark: str | None = None) -> int | None:
        """One reading (s, kg; None where there is no number).

        Gives the number of taps when a row of them has ended, 0 where it is not sure, else None.
        """
        missing = value is None and mark != "overload"
        if missing or (self._recent and not 0.0 <= time - self._recent[-1][0] <= TAP_GAP):
            self._recent.clear()
            return self._end(0) if self.began is not None else None
        # How heavy an overload is is not known: no less than what was shown on the way there.
        shown = self._level + max(self._row, default=self._capacity) if value is None else value
        self._recent.append((time, shown))
        while len(self._recent) > 1 and self._recent[1][0] <= time - EDGE - BETWEEN_TAPS:
            self._recent.popleft()
        if self.began is None:
            level = self._stood(time, shown)
            if level is None:
                return None
            self.began = self._rose = time
            self._level = level
        return self._follow(time, shown - self._level)

    def _follow(self, time: float, height: float) -> int | None:
        """One more reading of a row."""
        assert self.began is not None
        before, pressed = self._row[-1] if self._row else 0.0, height > self._light
        self._row.append(height)
        if height < -self._press or time - self.began > MOST_TAPS * (LONGEST_PRESS + BETWEEN_TAPS):
            return self._end(0)  # something was lifted off the pan; no end is in sight
        if pressed:
            if before <= self._light:
                self._rose = time
                if self._over and time - self._over > BETWEEN_TAPS:
                    return self._end(0)  # after a pause without rest
            elif len(_peaks(self._row, self._light)) > len(_peaks(self._row[:-1], self._light)):
                self._rose = time  # a slow balance had not quite come back from the press before
            self._over = time
            return (
                self._end(0) if time - self._rose > LONGEST_PRESS else None
            )  # a leaning hand, another level
        if before > self._light:
            self.heard = len(_peaks(self._row, self._light))
        if time - self._over < BETWEEN_TAPS:
            return None
        if self._still(time - CALM, time) is None:
            return self._end(0) if time - self._over > BETWEEN_TAPS + SWINGS else None
        return self._end(self._count())

    def _end(self, count: int) -> int:
        self.began, self.heard, self._over, self._row = None, 0, 0.0, []
        return count

    def _count(self) -> int:
        """How many taps the whole row was; 0 where it is not sure."""
        peaks = _peaks(self._row, self._light)
        heights = [self._row[k] for k in peaks]
        apart = all(self._apart(a, b) for a, b in pairwise(peaks))
        alone = any(max(self._row[k - 1] if k else 0.0, self._row[k + 1]) < self._light for k in peaks)
        level = self._recent[-1][1] - self._level
        firm = min(heights, default=0.0) > self._press
        sure = firm and apart and not alone and not self._shouldered(peaks)
        return len(peaks) if sure and abs(level) <= self._same else 0

    def _shouldered(self, peaks: list[int]) -> bool:
        """Whether the way to a peak, or back from it, turned well below it: a press too short to reach its
        height may have been there."""
        dips = [a + self._row[a:b].index(min(self._row[a:b])) for a, b in pairwise(peaks)]
        for start, peak, end in zip([0, *dips], peaks, [*dips, len(self._row)], strict=True):
            for way in (self._row[start : peak + 1], self._row[peak:end][::-1]):
                for highest, height in zip(accumulate(way, max), way, strict=True):
                    if self._light < highest < ONE * way[-1] and height < highest - self._noise:
                        return True
        return False

    def _apart(self, a: int, b: int) -> bool:
        """Whether two peaks are surely two presses: a pause that shows once may also not show."""
        half = TWO * min(self._row[a], self._row[b])
        return sum(height < half for height in self._row[a:b]) > 1

    def _stood(self, time: float, shown: float) -> float | None:
        """The level the reading stood on, where it has just risen above it by a press, else None."""
        if shown <= min(v for _, v in self._recent) + self._light:
            return None
        level = self._still(time - EDGE - CALM, time - EDGE)
        if level is None or shown <= level + self._light or self._recent[0][0] > time - EDGE - BETWEEN_TAPS:
            return None
        quiet = all(abs(v - level) <= self._light for t, v in self._recent if t <= time - EDGE)
        return level if quiet else None

    def _still(self, start: float, end: float) -> float | None:
        """The mean of the readings from ``start`` to ``end`` where they stand still, else None."""
        values = [v for t, v in self._recent if start <= t <= end]
        if len(values) < 2 or max(values) - min(values) > self._same:
            return None
        return sum(values) / len(values)


def _peaks(heights: list[float], light: float) -> list[int]:
    """Where the presses are highest: peaks with a dip between them that may part two."""
    peaks: list[int] = []
    top, dip = 0.0, 0.0  # of the press under way, and since its top
    for k, height in enumerate(heights):
        rises = height > light and dip < ONE * min(top, height)
        if not peaks or rises:
            peaks.append(k)
        elif height > top:
            peaks[-1] = k
        else:
            dip = min(dip, height)
            continue
        top = dip = height
    return peaks
