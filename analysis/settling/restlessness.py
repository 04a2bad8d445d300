"""Whether the bench is more restless than it usually is: then a draught may have begun.

A draught is the stronger the slower it is, so that what can be seen of it within a second tells what it does
over ten, before that can be seen. The same is said of it by breathing, which is why only what goes beyond the
usual counts. All in resolutions and seconds.
"""

from __future__ import annotations

from collections import deque

from .settings import (
    CHANGE_LAG,
    CHANGE_OUTLIER,
    GROWN,
    LATE_TIME,
    LEAST_CHANGE,
    OWN_TIME,
    SLOW_SHARE,
    SLOW_STAYS,
    USUAL_FALLS,
    USUAL_KNOWN,
    USUAL_RISES,
)


class Restlessness:
    """Mean square changes of the reading over CHANGE_LAG: usually, of late, and of the present level."""

    def __init__(self, usual: float = 0.0) -> None:
        """``usual``: what is known from before, 0 where nothing is."""
        self._usual = usual
        self._late = usual
        self._heard = USUAL_KNOWN if usual > 0 else 0.0  # s from which the usual is known, at least
        self._sum = self._seconds = 0.0  # of this level
        self._held: deque[tuple[float, float]] = deque()

    @property
    def usual(self) -> float:
        """What the bench does usually, 0 while that is not known."""
        return self._usual if self._heard >= USUAL_KNOWN else 0.0

    def level_begins(self) -> None:
        """What was read before is another load."""
        self._held.clear()
        self._sum = self._seconds = 0.0

    def feed(self, time: float, reading: float) -> None:
        """A reading of the level, when what its beginning left has died away."""
        held = self._held
        held.append((time, reading))
        while len(held) > 2 and time - held[1][0] >= CHANGE_LAG:
            held.popleft()
        if time - held[0][0] < CHANGE_LAG:
            return
        dt = min(time - held[-2][0], CHANGE_LAG)
        change = (reading - held[0][1]) ** 2
        if self._heard >= USUAL_KNOWN:
            change = min(change, CHANGE_OUTLIER * max(self._usual, LEAST_CHANGE))
        self._sum += change * dt
        self._seconds += dt
        self._heard += dt
        self._late += (change - self._late) * max(min(dt / LATE_TIME, 1.0), dt / self._heard)
        if self._heard < USUAL_KNOWN:
            self._usual += (change - self._usual) * dt / self._heard
        else:
            slow = USUAL_RISES if self._late > self._usual else USUAL_FALLS
            self._usual += (self._late - self._usual) * min(dt / slow, 1.0)

    def slow_variance(self, age: float) -> float:
        """Variance that slow noise beyond the usual may leave in a level of ``age`` s."""
        usual = self.usual
        if usual <= 0:
            return 0.0
        own = (self._sum + usual * OWN_TIME) / (self._seconds + OWN_TIME)
        beyond = max(self._late, own) - GROWN * max(usual, LEAST_CHANGE)
        return max(beyond, 0.0) * SLOW_SHARE / (1 + age / SLOW_STAYS)
