"""The settling filter: one reading in, one state out, until the level is known well enough."""

from __future__ import annotations

import math
from collections import deque
from enum import Enum
from typing import Literal

import numpy as np

from ..records.arrays import Floats
from . import stated_uncertainty as stated
from .bench_past import moves_beforehand
from .best_epoch import DRIFT_ROW, best_moment, level_row
from .calm import calm_window, must_stand, one_way, still_moving
from .first_look import FirstLook, Readings, spread
from .kalman_bank import Bank
from .noise_memory import NoiseMemory
from .noise_shapes import standard_shapes
from .reasons import why_not
from .restlessness import Restlessness
from .rounding import hidden_by_the_digit
from .settings import (
    DOUBT,
    DRIFT_LIMIT,
    ENOUGH,
    FAR,
    FEWEST,
    FIRST_LOOK,
    GATE,
    HARDLY,
    HORIZON,
    IN_A_ROW,
    LIVELY_TIME,
    LONGEST_FALL,
    MOST_GROWTH,
    MOST_SWING,
    NOISE_MOVES,
    PATIENCE,
    QUIET_SINCE,
    RECENT,
    REVISED,
    REVISED_AGE,
    REVISED_TIME,
    SILENCE,
    STOPPED,
    SUSPECTS,
    TRANSIENT_TIME,
    UNEASY,
    WATCH_NOISY,
    WATCH_QUIET,
    YOUNGEST,
)
from .settling_state import Reason, Settling
from .time_step import on_grid


class Phase(Enum):
    """What the filter is doing with the readings."""

    GATHER = "first readings come in, nothing is known of the noise"
    WAIT_FOR_CALM = "the level is over, the next one has not begun"
    TRACK = "a level is being followed"


class SettlingFilter:
    """Follows a balance's readings and says when the level is known to the target.

    ``resolution`` (kg) is the balance's digit, ``target`` (kg) the wanted standard uncertainty of the
    level, ``memory`` what is known of the bench from before. Constant memory, the same work for every
    reading. Not for several threads at once.
    """

    def __init__(self, resolution: float, target: float, memory: NoiseMemory | None = None) -> None:
        if not (math.isfinite(resolution) and resolution > 0):
            raise ValueError(f"resolution {resolution!r} kg; expected a number above zero")
        if not (math.isfinite(target) and target > 0):
            raise ValueError(f"target {target!r} kg; expected a number above zero")
        self._d = resolution
        self._target = target / resolution
        self._memory = memory or NoiseMemory((), (), ())
        past = self._memory.past
        self._past = past if past is not None and past.seconds >= ENOUGH else None
        self._moves = moves_beforehand(self._past, resolution, self._target)
        self._shapes = standard_shapes()
        self._first_look = FirstLook()
        self._restlessness = Restlessness(self._memory.usual_change / resolution**2)
        self._bank: Bank | None = None  # from the end of GATHER
        self._phase = Phase.GATHER
        self._interval = self._memory.interval or 0.1
        self._recent: deque[tuple[float, float]] = deque(maxlen=RECENT)
        self._shift = 0.0  # added to the stream's time after it jumped back
        self._last: float | None = None  # time of the last reading, own clock
        self._carried = 0.0  # time the bank stands at
        self._since = 0.0  # own time the level began
        self._watched_since = 0.0  # own time of the first reading the noise was learnt from
        self._known_before = max(self._memory.counts, default=0.0) * self._interval  # s
        self._readings = 0  # of this level
        self._taken_for: tuple[float, float] | None = None  # running mean of this level, own time of it
        self._set_aside_at = -math.inf
        self._side = 0
        self._run = 0
        self._suspects = 0.0
        self._remainder = 0.0  # resolutions the reading still moved by when the level began
        self._low, self._high = math.inf, -math.inf  # resolutions, between which this level's readings lie
        self._youngest = YOUNGEST  # s for which it must stand
        self._moving_since = 0.0  # own time the level was found to be over
        self._announced = False  # whether the present change was announced by ``begin``
        self._calmness = 1.0  # running mean square of the normalised errors, those set aside left out
        self._lively = 1.0  # the same with them, over LIVELY_TIME
        self._accepted = False
        self._state: Settling | None = None

    # -- the four calls -----------------------------------------------------------------------

    def begin(self, time: float, target: float | None = None) -> None:
        """A new level begins now: sample placed, lift stands, re-zeroed. ``target`` (kg): of this one on."""
        self._target = self._target if target is None else target / self._d
        self._accepted = False
        self._recent.clear()
        self._announced = True
        if self._bank is not None:
            self._phase = Phase.WAIT_FOR_CALM
            self._moving_since = max(time + self._shift, self._last or -math.inf)

    def feed(self, time: float, reading: float | None, mark: str | None = None) -> Settling:
        """Take one reading (kg; None where the balance shows no number) and say what is known now.

        ``mark`` is the balance's own opinion (``steady``, ``unsteady``, ``overload``, ...): it words the
        reason, it never decides.
        """
        if reading is None or not math.isfinite(reading):
            return self._nothing(time, f"the balance shows no number ({mark or 'blank'})")
        y = reading / self._d
        now = on_grid(time + self._shift)
        if self._last is not None and now < self._last:  # the clock was set back: go on as after one interval
            self._shift += self._last + self._interval - now
            now = on_grid(self._last + self._interval)
        if self._last is not None:
            step = now - self._last
            if 0 < step < 10 * self._interval:
                self._interval += 0.05 * (step - self._interval)
        self._last = now
        first = self._first_look.feed(now, y)
        event: Literal["moving", "level"] | None = None
        if first is not None:
            event = self._start(first, now)
        elif self._phase is Phase.TRACK:
            event = self._track(now, y)
        elif self._phase is Phase.WAIT_FOR_CALM:
            event = self._wait_for_calm(now, y)
        self._state = self._describe(time, now, event)
        return self._state

    def idle(self, time: float) -> Settling:
        """No reading came: the state as it stands, or ``no readings`` once the silence is long."""
        last = None if self._last is None else self._last - self._shift
        if last is not None and time - last < max(SILENCE, 10 * self._interval) and self._state is not None:
            return self._state
        heard = "none yet" if last is None else f"the last {time - last:.0f} s ago"
        return self._nothing(time, f"no reading from the balance ({heard}): check cable, power and port")

    def memory(self) -> NoiseMemory:
        """The noise statistics to give to the next filter on the same bench."""
        b = self._bank
        if b is None:
            return self._memory
        return NoiseMemory(
            scales=tuple(float(v) for v in np.sqrt(b.scale) * self._d),
            log_weights=tuple(float(v) for v in b.log_weight),
            counts=tuple(float(v) for v in b.count),
            interval=self._interval,
            past=self._memory.past,
            usual_change=self._restlessness.usual * self._d**2,
            breath=b.depth() * self._d,
        )

    # -- inside -------------------------------------------------------------------------------

    def _start(self, first: Readings, now: float) -> Literal["level"]:
        """Begin with the first second: its spread, or the memory, says how much breathing to reckon with."""
        known = self._memory.of_bank(len(self._shapes), self._d)
        swing = min(max(0.7 * spread(first), 1.0, known[-1] if known else 0.0), MOST_SWING)
        self._bank = Bank.from_readings(self._shapes, first, swing, self._moves, known)
        self._recent.clear()
        self._recent.extend(first)
        self._carried = now
        self._since = self._watched_since = first[0][0]
        self._readings = len(first)
        self._remainder = spread(first[len(first) // 2 :])
        self._accepted = self._announced = False
        self._level_begins()
        return "level"

    def _level_begins(self) -> None:
        self._phase = Phase.TRACK
        self._run = self._side = 0
        self._low, self._high = math.inf, -math.inf
        self._restlessness.level_begins()

    def _track(self, now: float, y: float) -> Literal["moving"] | None:
        bank = self._bank
        assert bank is not None
        dt = now - self._carried
        age = now - self._since
        bank.predict(dt)
        self._carried = now
        mean, variance = bank.forecast()
        e = (y - mean) / math.sqrt(variance)
        if abs(e) > DOUBT and bank.within_breath(y):
            bank.loosen_swing()
            bank.predict(0.0)
            mean, variance = bank.forecast()
            e = (y - mean) / math.sqrt(variance)
        self._lively += (min(e * e, 9.0) - self._lively) * min(1.0, dt / LIVELY_TIME + 1e-3)
        self._recent.append((now, y))
        self._suspects *= math.exp(-dt)
        if abs(e) > GATE and self._readings > 3:
            side = 1 if e > 0 else -1
            self._run = self._run + 1 if side == self._side else 1
            self._side = side
            self._set_aside_at = now
            self._suspects += 1.0
            far = self._run >= 2 and abs(e) > FAR
            if self._run >= IN_A_ROW or far or self._suspects > SUSPECTS:
                self._phase = Phase.WAIT_FOR_CALM
                self._moving_since = now
                self._announced = False
                recent = list(self._recent)[-self._run :]
                self._recent.clear()
                self._recent.extend(recent)
                return "moving"
            return None
        self._run = self._side = 0
        inflate = (e / DOUBT) ** 2 if abs(e) > DOUBT else 1.0
        self._calmness += (min(e * e, 9.0) - self._calmness) * min(1.0, dt + 1e-3)
        learn = min(1.0, (age / 0.5) ** 2 + 0.05)
        bank.update(y, dt, inflate, learn, self._transient(now))
        self._readings += 1
        if age > TRANSIENT_TIME:
            self._restlessness.feed(now, y)
            self._low, self._high = min(self._low, y), max(self._high, y)
        return None

    def _transient(self, now: float) -> float:
        """Variance (resolutions squared) of what may be left of the change: it dies as fast as the lag."""
        return self._remainder**2 * math.exp(-2 * (now - self._since) / TRANSIENT_TIME)

    def _wait_for_calm(self, now: float, y: float) -> Literal["level"] | None:
        bank = self._bank
        assert bank is not None
        self._recent.append((now, y))
        window = calm_window(self._recent, now)
        if not window:
            return None
        best = int(np.argmax(bank.weight))
        times = np.array([t for t, _ in window])
        raw = np.array([y for _, y in window])
        clean = raw - np.array([bank.noise(t - self._carried)[best] for t in times])
        sigma = bank.sigma()
        limit = 5 * sigma + 1.0
        waited = now - self._moving_since
        forced = waited > PATIENCE and (waited > LONGEST_FALL or not one_way(self._recent, now, limit))
        lately = [y for t, y in self._recent if now - t <= STOPPED]
        stopped = now - self._recent[0][0] > STOPPED and max(lately) - min(lately) <= limit < np.ptp(clean)
        swing = float(np.ptp(clean))
        if stopped:  # the breathing reckoned with is not there
            clean = raw
        spread = float(np.ptp(clean))
        if spread > limit and not forced:
            return None
        if stopped:
            bank.reset_swing(swing)
        off = math.inf
        if not self._announced:
            mean, parts = bank.level()
            covariance = parts.sum(axis=0)
            ahead = level_row(times.mean() - self._carried)
            off = float(clean.mean() - ahead @ mean)
            if off**2 <= 9 * (ahead @ covariance @ ahead + (0.5 * sigma) ** 2 + 0.09):
                self._level_begins()
                self._set_aside_at = now  # it may be the turning of what moved it, come by again
                return "level"
        if forced and spread > limit:
            bank.forget(max(float(np.ptp(raw)), 1.0), min((spread / limit) ** 2, MOST_GROWTH))
        bank.predict(max(times[0] - self._carried, 0.0))
        wide = spread + limit
        bank.begin_level(clean.mean(), 3 * wide)
        self._remainder = math.sqrt(max(spread**2 - (NOISE_MOVES * sigma) ** 2, 1.0))
        self._youngest = must_stand(times[0] - self._moving_since, off)
        self._carried = self._since = times[0]
        self._readings = 0
        self._taken_for = None
        for t, y in window:
            bank.predict(t - self._carried)
            bank.update(y, t - self._carried, learn=0.05, extra=self._transient(t))
            self._carried = t
            self._readings += 1
        self._accepted = self._announced = False
        self._level_begins()
        self._suspects, self._calmness = 0.0, 1.0
        return "level"

    def _describe(self, time: float, now: float, event: Literal["moving", "level"] | None) -> Settling:
        bank = self._bank
        if bank is None:
            return Settling(time, False, "still settling", "the first readings are coming in")
        d = self._d
        if self._phase is Phase.WAIT_FOR_CALM:
            reason: Reason
            if self._announced or event == "moving":
                reason = "still settling"
                text = "the reading is still moving: wait"
            else:
                reason = "disturbed"
                text = "the reading is jumping: hands off, nobody walking by, lid closed"
            return Settling(time, False, reason, text, event=event)
        mean, parts = bank.level()
        covariance = parts.sum(axis=0)
        age = now - self._since
        lag = best_moment(covariance, age)
        row = level_row(-lag)
        variances = np.maximum(parts @ row @ row, 0.0)
        level = float(row @ mean)
        drift = float(DRIFT_ROW @ mean)
        settled = self._since + 2 * TRANSIENT_TIME
        values = np.array([y for t, y in self._recent if t >= settled])
        hidden = hidden_by_the_digit(values) if len(values) >= 4 else math.sqrt(1 / 12)
        frequency, amplitude = bank.swing()
        u = math.hypot(
            math.sqrt(self._level_variance(variances, age, now)),
            stated.breath_left(amplitude, frequency, age, max(self._high - self._low, 0.0)),
            hidden,
            REVISED * self._revision(level, age, now),
            stated.left_of_change(self._remainder, self._youngest, age - lag),
        )
        u_drift = math.sqrt(max(float(DRIFT_ROW @ covariance @ DRIFT_ROW), 0.0))
        drifting = abs(drift) > 2 * u_drift and abs(drift) * HORIZON > DRIFT_LIMIT * self._target
        disturbed = now - self._set_aside_at < QUIET_SINCE or max(self._calmness, self._lively) > UNEASY
        unwatched = self._to_watch(now)
        young = age < self._youngest or self._readings < FEWEST or unwatched > 0
        young |= age < FIRST_LOOK and still_moving(calm_window(self._recent, now))
        if u <= self._target and not (drifting or disturbed or young):
            self._accepted = True
        left = None if self._accepted else max(age * ((u / self._target) ** 2 - 1), unwatched, 0.3)
        if left is None:
            reason, text = "accepted", "accepted"
        else:
            mg = d * 1e6
            reason, text = why_not(
                left, u * mg, self._target * mg, disturbed, drift * 60 * mg if drifting else None
            )
        return Settling(
            at=time - lag if self._accepted or lag else time,
            accepted=self._accepted,
            reason=reason,
            text=text,
            value=level * d,
            u=u * d,
            drift=drift * d,
            u_drift=u_drift * d,
            breathing=frequency or None,
            seconds_left=left,
            level_since=self._since - self._shift,
            event=event,
        )

    def _level_variance(self, variances: Floats, age: float, now: float) -> float:
        """What bank, and past where there is one, leave open of the level (resolutions squared)."""
        restless = stated.restless(self._lively)
        grown = self._restlessness.slow_variance(age)
        if self._past is None:
            watched = self._known_before + now - self._watched_since
            return stated.of_a_bench_just_met(variances, age, watched) * restless + grown
        slow = stated.slow_noise(self._past, self._d, age)
        variance = stated.of_a_known_bench(variances, slow, restless, grown)
        return variance + stated.jumped(self._past, self._d, age)

    def _revision(self, level: float, age: float, now: float) -> float:
        """How far (resolutions) the level is from what it was taken for of late."""
        before, then = self._taken_for or (level, now)
        before += (level - before) * min(1.0, (now - then) / (REVISED_TIME + REVISED_AGE * age))
        self._taken_for = (before, now)
        return level - before

    def _to_watch(self, now: float) -> float:
        """How long (s) this bench must still be watched before a reading is believed."""
        watched = now - self._watched_since
        if watched >= WATCH_NOISY:
            return 0.0
        shown = [y for t, y in self._recent if t >= self._since]
        soon = bool(self._memory.scales) or float(np.std(shown)) < HARDLY
        return max((WATCH_QUIET if soon else WATCH_NOISY) - watched, 0.0)

    def _nothing(self, time: float, text: str) -> Settling:
        self._accepted = False
        return Settling(time, False, "no readings", text)
