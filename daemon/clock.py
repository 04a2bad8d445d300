"""The daemon's monotonic clock, which goes on from session to session of one store."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

from ..drivers.clock import RealClock


class LongClock(RealClock):
    """Starts at ``start`` s instead of anywhere; the wall clock being set does not move it."""

    def __init__(self, rate: float = 1.0, start: float = 0.0) -> None:
        super().__init__(rate)
        self.start = start

    def now(self) -> float:
        return self.start + (time.monotonic() - self._origin) * self.rate


def start_after(last: tuple[float, str] | None, utc: str, rate: float) -> float:
    """Where the clock takes up: after the store's last moment, by as much as the wall clock says.

    A wall clock that went backwards in between counts as no time at all; never before the last moment.
    """
    if last is None:
        return 0.0
    time_s, last_utc = last
    between = (datetime.fromisoformat(utc) - datetime.fromisoformat(last_utc)).total_seconds()
    return time_s + 1.0 + max(between, 0.0) * rate


def boot_id() -> str:
    """What names this start of the machine; empty where the system has no such name."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


class StepWatch:
    """Sees the wall clock being set: its course against the monotonic one."""

    def __init__(self, wall: float, monotonic: float, least: float = 2.0) -> None:
        self._offset = wall - monotonic
        self._least = least

    def look(self, wall: float, monotonic: float) -> float | None:
        """Seconds by which the wall clock was set since the last look, None if it was not."""
        step = wall - monotonic - self._offset
        if abs(step) < self._least:
            return None
        self._offset = wall - monotonic
        return step


def utc_now() -> str:
    """The wall clock, ISO 8601 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
