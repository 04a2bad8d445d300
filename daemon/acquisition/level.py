"""From the stream of readings to one accepted reading: thinning, settling, range, patience."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ...analysis.settling import NoiseMemory, Settling, SettlingFilter
from ...drivers.device import BalanceReading
from ..clock import utc_now
from ..protocol import Live
from ..text import grams
from .second_look import SecondLook
from .settings import FORGET, HEARD_PER_SECOND, OUT_OF_RANGE_IN_ROW
from .spikes import SpikeFilter

if TYPE_CHECKING:
    from ...analysis.records.bench import Bench


class Decimator:
    """Averages readings that come faster than the filter needs; every raw reading is kept elsewhere."""

    def __init__(self, per_second: float = HEARD_PER_SECOND) -> None:
        self._width = 1.0 / per_second
        self._interval = self._width
        self._before: float | None = None
        self._times: list[float] = []
        self._values: list[float] = []

    def feed(self, reading: BalanceReading) -> tuple[float, float | None, str | None] | None:
        """One reading in; time (s), value (kg) and mark out when enough are together, else None."""
        if self._before is not None and 0.0 <= reading.time - self._before < 1.0:
            self._interval += 0.05 * (reading.time - self._before - self._interval)
        self._before = reading.time
        if reading.value is None:
            self._times.clear()
            self._values.clear()
            return reading.time, None, reading.mark
        self._times.append(reading.time)
        self._values.append(reading.value)
        if len(self._times) * self._interval < 0.8 * self._width:
            return None
        count = len(self._times)
        out = (sum(self._times) / count, sum(self._values) / count, reading.mark)
        self._times.clear()
        self._values.clear()
        return out


@dataclass(frozen=True)
class PanLimits:
    """What readings the bench can have, kg. ``pan_load`` is all that stands on the pan."""

    capacity: float | None = None
    pan_load: float | None = None

    @classmethod
    def of(cls, bench: Bench) -> PanLimits:
        """As the bench file states them."""
        load = bench.reference_magnet.pan_load
        return cls(bench.balance.capacity, load.value if load is not None else None)


class Acquisition:
    """Follows the balance for the whole of a run; tells of levels, acceptance and range.

    One thread only. ``target`` and ``resolution`` in kg; ``alone`` hears of readings that are not followed.
    """

    def __init__(
        self,
        resolution: float,
        target: float,
        limits: PanLimits,
        memory: NoiseMemory | None = None,
        alone: Callable[[BalanceReading], None] = lambda reading: None,
    ) -> None:
        self._resolution, self.target = resolution, target
        self.filter = SettlingFilter(resolution, target, memory)
        self._second_look = SecondLook()
        self._hands: SettlingFilter | None = None  # follows hands at work; learns for no reading
        self._heard: float | None = None  # when the filter last heard a reading
        self.limits = limits
        self.settling: Settling | None = None
        self.began: float | None = None
        self.last: tuple[float, float | None, str | None] | None = None
        self.zero: float | None = None  # kg, for telling that the magnet left the pan
        self._lone = SpikeFilter(resolution, alone)
        self._thinner = Decimator()
        self._bad = 0
        self._worst: tuple[float | None, str | None] | None = None

    def begin(
        self, time: float, expected: tuple[float, float] | None = None, target: float | None = None
    ) -> None:
        """A new level begins now; what was read before does not count for it.

        ``expected`` is what it should be and how surely (kg), where that is known: see ``SecondLook``.
        ``target`` (kg) is wanted of it, where that is another than the usual one.
        """
        self.began, self._hands = time, None
        self._second_look = SecondLook(expected)
        self._lone.forget()
        heard = self._heard if self._heard is not None else time
        if not 0.0 <= time - heard < FORGET:
            # Too long ago to say anything of this level; what it knows of the noise is kept.
            self.filter = SettlingFilter(self._resolution, self.target, self.filter.memory())
        self.filter.begin(time, self.target if target is None else target)

    def feed(self, reading: BalanceReading, follow: bool = True, handling: bool = False) -> Settling | None:
        """One raw reading; the filter's state whenever it has heard of it, so never without ``follow``.

        While ``handling``, a filter of its own listens: what hands do to the balance is no noise of the
        bench, and learnt as such it would keep the next level from ever being known well enough.
        """
        self._bad = self._bad + 1 if self._beyond(reading) else 0
        if self._bad:
            self._worst = (reading.value, reading.mark)
        if not follow or (self.began is not None and reading.time < self.began):
            self.last = (reading.time, reading.value, reading.mark)
            self.settling = None
            return None
        if handling:
            return self._follow(reading, handling)
        found = [self._follow(one, handling) for one in self._lone.feed(reading)]
        return next((settling for settling in reversed(found) if settling is not None), None)

    def _follow(self, reading: BalanceReading, handling: bool) -> Settling | None:
        heard = self._thinner.feed(reading)
        if heard is None:
            return None
        self.last = heard
        if handling:
            if self._hands is None:
                self._hands = SettlingFilter(self._resolution, self.target, self.filter.memory())
            self.settling = self._hands.feed(*heard)
            return self.settling
        self._hands = None
        self._heard = heard[0]
        self.settling = self.filter.feed(*heard)
        self._second_look.hear(heard[0], self.settling)
        return self.settling

    def idle(self, time: float) -> None:
        """No reading came."""
        self.settling = self.filter.idle(time)

    def taken(self) -> dict[str, Any] | None:
        """The reading as the filter has it, for the store; None while it has none."""
        s = self.settling
        if s is None or s.value is None or s.u is None:
            return None
        if not (math.isfinite(s.value) and math.isfinite(s.u) and s.u > 0 and math.isfinite(s.drift or 0.0)):
            return None  # a level that is not a number is no reading, whoever accepts it
        return {
            "value_kg": s.value,
            "u_kg": s.u,
            "drift_kg_per_s": s.drift or 0.0,
            "time_s": s.at,
            "utc": utc_now(),
            "settled_in_s": self.heard - self.began if self.began is not None else 0.0,
        }

    @property
    def heard(self) -> float:
        """When the filter last heard a reading, s; before it heard any, when the level began."""
        return self._heard if self._heard is not None else self.began or 0.0

    @property
    def ready(self) -> bool:
        """Whether the filter accepts the level that began with the last ``begin``, seen twice if need be."""
        s = self.settling
        if s is None or not s.accepted or self.began is None or s.at < self.began:
            return False
        return not self._second_look.waits

    def out_of_range(self) -> tuple[str, str] | None:
        """A code and why, when the readings cannot be those of a whole bench."""
        if self._bad < OUT_OF_RANGE_IN_ROW or self._worst is None:
            return None
        value, mark = self._worst
        if value is None:
            return "over-capacity", f"the balance shows {mark}: the pull or the load is beyond its range"
        if self._off_the_pan(value):
            return "magnet-lifted", "the reading fell by the whole load: the magnet was lifted off the pan"
        return "over-capacity", f"the reading {grams(value)} is beyond the capacity"

    def _beyond(self, reading: BalanceReading) -> bool:
        if reading.value is None:
            return reading.mark in ("overload", "underload")
        over = self.limits.capacity is not None and abs(reading.value) > self.limits.capacity
        return over or self._off_the_pan(reading.value)

    def _off_the_pan(self, value: float) -> bool:
        load = self.limits.pan_load
        return load is not None and self.zero is not None and value - self.zero < -0.97 * load

    def live(self) -> Live | None:
        """What clients are shown."""
        if self.last is None:
            return None
        time, value, mark = self.last
        s = self.settling
        return {
            "time_s": time,
            "reading_kg": value,
            "mark": mark,
            "accepted": s.accepted if s else False,
            "reason": s.reason if s else "no readings",
            "text": s.text if s else "",
            "value_kg": _finite(s.value) if s else None,
            "u_kg": _finite(s.u) if s else None,
            "drift_kg_per_s": _finite(s.drift) if s else None,
            "breathing_Hz": _finite(s.breathing) if s else None,
            "seconds_left": _finite(s.seconds_left) if s else None,
        }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
