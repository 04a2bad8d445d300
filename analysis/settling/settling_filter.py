"""The settling filter: one reading in, one state out, until the level is known well enough."""

from __future__ import annotations

import math
from collections import deque
from typing import Literal

import numpy as np

from ..records.arrays import Floats
from .best_epoch import DRIFT_ROW, best_moment, level_row
from .kalman_bank import Bank, standard_shapes
from .noise_memory import NoiseMemory
from .rounding import hidden_by_the_digit
from .settling_state import Reason, Settling

GATE = 4.5  # standard deviations: a reading further off than this is set aside
DOUBT = 2.5  # beyond this it counts less
RECENT = 64  # readings kept
CALM = 0.46  # s of readings that must agree before a new level is begun
CALM_READINGS = 3
TRANSIENT_TIME = 0.3  # s, what is left of a change dies at least this fast once the readings are calm
FIRST_LOOK = 1.0  # s of readings before anything is said
MOST_SWING = 60.0  # resolutions
STOPPED = 1.5  # s without the breathing that was reckoned with: longer than it turns
PATIENCE = 3.0  # s of movement after which the noise itself must have changed
#: A bench not known from before is watched that long (s) before anything is accepted, so that slow noise
#: can show itself: first while hardly more than the digit moves, then otherwise.
WATCH_QUIET, WATCH_NOISY = 2.5, 10.0
HARDLY = 0.45  # resolutions, standard deviation of the readings shown; a still balance has 0.3
#: No breath is quite like the one before: this share of its depth is left in a level after one breath, more
#: after a part of one (a quarter at least counts as seen), less after several.
BREATH_LEFT, BREATHS_SEEN, BREATH_POWER = 0.02, 0.25, 2.5
#: What is deeper than DEEPER times the breath before the level began is likelier the change dying away (a
#: touch just after placing, say): it counts SWOLLEN times more.
DEEPER, SWOLLEN = 1.3, 10.0
#: True errors over the bank's standard deviations, fitted to seeded streams of every class: the bank reckons
#: with drift and creep that most benches do not have. What models with draughts add to the variance weighs
#: more while the level is young (FIRST_TIME, s): slow noise looks like a level for a while.
TRUST, DRAUGHT_AT_FIRST, FIRST_TIME = 0.73, 2.5, 0.5
#: A level taken for another a moment ago (s, and of its age) may not be found yet: a share of the difference.
REVISED, REVISED_TIME, REVISED_AGE = 0.9, 0.2, 0.2
#: The slow noise of a bench watched for hardly more than WATCHED s is hardly known.
WATCHED = 14.0
#: Readings that scatter more than foretold over LIVELY_TIME (s): their mean square over the one foretold, to
#: this power, widens the variance.
LIVELY, LIVELY_TIME, MOST_LIVELY = 0.7, 2.0, 3.0
YOUNGEST = 0.5  # s, no level is accepted younger
FEWEST = 5  # readings of the level
MOST_GROWTH = 4.0  # of the noise variance in one go: the rest is learnt, breathing may explain it
QUIET_SINCE = 1.0  # s since a reading was set aside
UNEASY = 2.5  # mean square of the normalised errors over the last second
HORIZON = 5.0  # s over which a drift counts
DRIFT_LIMIT = 5.0  # targets
HOPELESS = 60.0  # s to go beyond which the noise, not the patience, is the matter
SILENCE = 3.0  # s, or ten usual intervals


class SettlingFilter:
    """Follows a balance's readings and says when the level is known to the target.

    ``resolution`` (kg) is the balance's digit, ``target`` (kg) the wanted standard uncertainty of the
    level, ``memory`` what an earlier filter on the same bench learnt of its noise. Constant memory,
    the same work for every reading. Not for several threads at once.
    """

    def __init__(self, resolution: float, target: float, memory: NoiseMemory | None = None) -> None:
        if not (math.isfinite(resolution) and resolution > 0):
            raise ValueError(f"resolution {resolution!r} kg; expected a number above zero")
        if not (math.isfinite(target) and target > 0):
            raise ValueError(f"target {target!r} kg; expected a number above zero")
        self._d = resolution
        self._target = target / resolution
        self._shapes = standard_shapes()
        self._bank: Bank | None = None
        self._memory = memory
        self._interval = memory.interval if memory and memory.interval > 0 else 0.1
        self._recent: deque[tuple[float, float]] = deque(maxlen=RECENT)
        self._shift = 0.0  # added to the stream's time after it jumped back
        self._last: float | None = None  # time of the last reading, own clock
        self._carried = 0.0  # time the bank stands at
        self._since = 0.0  # own time the level began
        self._watched_since = 0.0  # own time of the first reading
        self._known_before = max(memory.counts, default=0.0) * self._interval if memory else 0.0  # s
        self._readings = 0  # of this level
        self._taken_for: tuple[float, float] | None = None  # running mean of this level, own time of it
        self._set_aside_at = -math.inf
        self._side = 0
        self._run = 0
        self._suspects = 0.0
        self._remainder = 0.0  # resolutions the reading still moved by when the level began
        self._moving_since: float | None = None
        self._depth_before = math.inf  # resolutions, of the breath before this level; unknown at first
        self._told = False
        self._calmness = 1.0  # running mean square of the normalised errors, those set aside left out
        self._lively = 1.0  # the same with them, over LIVELY_TIME
        self._accepted = False
        self._state: Settling | None = None

    # -- the four calls -----------------------------------------------------------------------

    def begin(self, time: float) -> None:
        """A new level begins now: the sample was placed, the lift stands, the balance was re-zeroed."""
        self._accepted = False
        self._recent.clear()
        self._told = True
        if self._bank is not None:
            self._depth_before = self._bank.depth()
            self._moving_since = max(time + self._shift, self._last or -math.inf)

    def feed(self, time: float, reading: float | None, mark: str | None = None) -> Settling:
        """Take one reading (kg; None where the balance shows no number) and say what is known now.

        ``mark`` is the balance's own opinion (``steady``, ``unsteady``, ``overload``, ...): it words the
        reason, it never decides.
        """
        if reading is None or not math.isfinite(reading):
            return self._nothing(time, f"the balance shows no number ({mark or 'blank'})")
        y = reading / self._d
        now = time + self._shift
        if self._last is not None and now < self._last:  # the clock was set back: go on as after one interval
            self._shift += self._last + self._interval - now
            now = self._last + self._interval
        if self._last is not None:
            step = now - self._last
            if 0 < step < 10 * self._interval:
                self._interval += 0.05 * (step - self._interval)
        self._last = now
        event: Literal["moving", "level"] | None = None
        if self._bank is None:
            event = self._start(now, y)
        elif self._moving_since is None:
            event = self._track(now, y)
        else:
            self._recent.append((now, y))
            event = self._wait_for_calm(now)
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
            return self._memory or NoiseMemory((), (), (), 0.0)
        return NoiseMemory(
            scales=tuple(float(v) for v in np.sqrt(b.scale) * self._d),
            log_weights=tuple(float(v) for v in b.log_weight),
            counts=tuple(float(v) for v in b.count),
            interval=self._interval,
        )

    # -- inside -------------------------------------------------------------------------------

    def _start(self, now: float, y: float) -> Literal["level"] | None:
        """Gather the first second: its spread says how much breathing to reckon with."""
        self._recent.append((now, y))
        first = list(self._recent)
        if now - first[0][0] < FIRST_LOOK or len(first) < FEWEST:
            return None
        readings = [y for _, y in first]
        spread = max(readings) - min(readings)
        swing = min(max(0.7 * spread, 1.0), MOST_SWING)
        bank = self._bank = Bank.from_readings(self._shapes, first, swing)
        if self._memory is not None:
            m = self._memory
            bank.recall(np.array(m.scales) / self._d, np.array(m.log_weights), np.array(m.counts))
        self._since, self._carried = first[0][0], now
        self._watched_since = first[0][0]
        self._readings = len(first)
        self._told = False
        return "level"

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
            if self._run >= 3 or (self._run >= 2 and abs(e) > 60) or self._suspects > 6:
                self._moving_since = now
                self._depth_before = bank.depth()
                self._told = False
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
        return None

    def _transient(self, now: float) -> float:
        """Variance (resolutions squared) of what may be left of the change: it dies as fast as the lag."""
        return self._remainder**2 * math.exp(-2 * (now - self._since) / TRANSIENT_TIME)

    def _calm_window(self, now: float) -> list[tuple[float, float]]:
        """The latest readings that make up the shortest window worth judging; empty if too few yet."""
        window: list[tuple[float, float]] = []
        for t, y in reversed(self._recent):
            window.append((t, y))
            if len(window) >= CALM_READINGS and now - t >= CALM:
                return window[::-1]
        return []

    def _wait_for_calm(self, now: float) -> Literal["level"] | None:
        bank = self._bank
        assert bank is not None
        assert self._moving_since is not None
        window = self._calm_window(now)
        if not window:
            return None
        best = int(np.argmax(bank.weight))
        times = np.array([t for t, _ in window])
        raw = np.array([y for _, y in window])
        clean = raw - np.array([bank.noise(t - self._carried)[best] for t in times])
        sigma = bank.sigma()
        limit = 5 * sigma + 1.0
        forced = now - self._moving_since > PATIENCE
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
        dt = times[0] - self._carried
        if not self._told:
            mean, parts = bank.level()
            covariance = parts.sum(axis=0)
            ahead = level_row(times.mean() - self._carried)
            off = clean.mean() - ahead @ mean
            if off**2 <= 9 * (ahead @ covariance @ ahead + (0.5 * sigma) ** 2 + 0.09):
                self._moving_since = None
                self._run = self._side = 0
                return "level"
        if forced and spread > limit:
            bank.forget(max(float(np.ptp(raw)), 1.0), min((spread / limit) ** 2, MOST_GROWTH))
        bank.predict(max(dt, 0.0))
        wide = spread + limit
        bank.begin_level(clean.mean(), 3 * wide)
        self._remainder = max(spread, 1.0)
        self._carried = self._since = times[0]
        self._readings = 0
        self._taken_for = None
        for t, y in window:
            bank.predict(t - self._carried)
            bank.update(y, t - self._carried, learn=0.05, extra=self._transient(t))
            self._carried = t
            self._readings += 1
        self._moving_since = None
        self._told = False
        self._run = self._side = 0
        self._suspects = 0.0
        self._calmness = 1.0
        self._accepted = False
        return "level"

    def _describe(self, time: float, now: float, event: Literal["moving", "level"] | None) -> Settling:
        bank = self._bank
        if bank is None:
            return Settling(time, False, "still settling", "the first readings are coming in")
        d = self._d
        since = self._since - self._shift
        if self._moving_since is not None:
            if self._told or event == "moving":
                reason: Reason = "still settling"
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
        swollen = SWOLLEN * max(amplitude - DEEPER * self._depth_before, 0.0)
        breath = BREATH_LEFT * (amplitude + swollen) / max(age * frequency, BREATHS_SEEN) ** BREATH_POWER
        revised = REVISED * self._revision(level, age, now)
        trusted = self._trusted(variances, age, now)
        u = math.hypot(math.sqrt(trusted), breath, hidden, revised)
        u_drift = math.sqrt(max(float(DRIFT_ROW @ covariance @ DRIFT_ROW), 0.0))
        drifting = abs(drift) > 2 * u_drift and abs(drift) * HORIZON > DRIFT_LIMIT * self._target
        disturbed = now - self._set_aside_at < QUIET_SINCE or self._calmness > UNEASY
        unwatched = self._to_watch(now)
        young = age < YOUNGEST or self._readings < FEWEST or unwatched > 0
        if u <= self._target and not (drifting or disturbed or young):
            self._accepted = True
        left = None if self._accepted else max(age * ((u / self._target) ** 2 - 1), unwatched, 0.3)
        reason, text = self._words(u, left, drifting, disturbed, drift)
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
            level_since=since,
            event=event,
        )

    def _trusted(self, variances: Floats, age: float, now: float) -> float:
        """The level's variance from what models without and with draughts say of it."""
        draught = TRUST + (DRAUGHT_AT_FIRST - TRUST) * FIRST_TIME / (FIRST_TIME + age)
        watched = self._known_before + now - self._watched_since
        lively = min(max(self._lively, 1.0), MOST_LIVELY) ** LIVELY
        variance = TRUST**2 * variances[0] + draught**2 * variances[1]
        return float(variance) * (1 + (WATCHED / watched) ** 2) * lively

    def _revision(self, level: float, age: float, now: float) -> float:
        """How far (resolutions) the level is from what it was taken for of late."""
        before, then = self._taken_for or (level, now)
        before += (level - before) * min(1.0, (now - then) / (REVISED_TIME + REVISED_AGE * age))
        self._taken_for = (before, now)
        return level - before

    def _to_watch(self, now: float) -> float:
        """How long (s) this bench must still be watched before a reading is believed."""
        watched = now - self._watched_since
        if watched >= WATCH_NOISY or (self._memory is not None and self._memory.scales):
            return 0.0
        shown = [y for t, y in self._recent if t >= self._since]
        return max((WATCH_QUIET if float(np.std(shown)) < HARDLY else WATCH_NOISY) - watched, 0.0)

    def _words(
        self, u: float, left: float | None, drifting: bool, disturbed: bool, drift: float
    ) -> tuple[Reason, str]:
        if self._accepted:
            return "accepted", "accepted"
        if disturbed:
            return "disturbed", "something shakes the balance: hands off the bench, nobody walking by"
        if drifting:
            per_minute = drift * 60 * self._d * 1e6
            return "drifting", f"the reading drifts by {per_minute:+.3g} mg a minute: let it settle"
        if left is not None and left > HOPELESS:
            return "too noisy for the target", (
                f"the noise leaves {u * self._d * 1e6:.2g} mg, wanted {self._target * self._d * 1e6:.2g} mg: "
                "draught shield, quieter place, or a wider target"
            )
        return "still settling", f"about {left:.0f} s more" if left is not None else "still settling"

    def _nothing(self, time: float, text: str) -> Settling:
        self._accepted = False
        return Settling(time, False, "no readings", text)
