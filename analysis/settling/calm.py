"""Whether readings (time s, value in resolutions) have come to rest after a change."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .settings import (
    CALM,
    CALM_READINGS,
    FIRST_LOOK,
    LONGEST_FALL,
    LONGEST_PAUSE,
    ONE_WAY,
    SMALL,
    STANDS,
    YOUNGEST,
)

Reading = tuple[float, float]


def calm_window(recent: Sequence[Reading], now: float) -> list[Reading]:
    """The latest readings that make up the shortest window worth judging; empty if too few yet."""
    window: list[Reading] = []
    for t, y in reversed(recent):
        window.append((t, y))
        if len(window) >= CALM_READINGS and now - t >= CALM:
            return window[::-1]
    return []


def one_way(recent: Sequence[Reading], now: float, limit: float) -> bool:
    """Whether the reading still goes one way by more than ``limit``: a slow filter's way to a new load."""
    values = np.array([y for t, y in recent if now - t <= FIRST_LOOK])
    if len(values) < 3:
        return False
    return bool(abs(values[-1] - values[0]) > max(ONE_WAY * np.ptp(values), limit))


def still_moving(window: Sequence[Reading]) -> bool:
    """Whether the latest readings of ``window`` went one way by over a digit, and through most of its spread:
    a hand that paused, or a change that swings back."""
    values = np.array([y for _, y in window])
    run = 0.0
    for step in np.diff(values)[::-1]:
        if step * run < 0:
            break
        run += step
    return len(values) > 0 and bool(abs(run) > max(ONE_WAY * np.ptp(values), 1.0))


def must_stand(took: float, change: float) -> float:
    """How long (s) a level must stand that was reached in ``took`` s, ``change`` resolutions off the last."""
    pause = min(took, LONGEST_PAUSE) if abs(change) < SMALL else 0.0
    return max(YOUNGEST, STANDS * min(took, LONGEST_FALL), pause)
