"""A bank of Kalman filters run side by side on the same readings.

Each model says what may lie over the level: the balance's own filtered sensor noise, slow coloured
noise (draughts) of some strength, and breathing at some frequency. Every model estimates the level
under its own assumption; how well it foretells the next reading gives its weight, and the spread
between the models is part of the uncertainty (Magill 1965, IEEE Trans. Autom. Control 10, 434:
multiple-model adaptive estimation). Everything here is in units of the balance's resolution and in
seconds; nothing here knows about acceptance.

All models share one state layout, so that one reading costs a fixed number of numpy operations
over the model axis, which comes last: numpy is quickest along it. The oscillators are kept in a
frame that turns with their frequency: the turning then sits in the observation row and not in the
transition, which stays diagonal but for the value-rate pairs.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from ..records.arrays import Floats

#: Correlation times of the slow noise (s); beyond the last it counts as drift.
SLOW_TIMES = (0.6, 2.4, 9.6)
# State layout: PAIRS rates, then the PAIRS values they drive, then plain decaying states.
SWING = 1  # two quadratures of the breathing
NOISE = 3  # filtered sensor noise, then the slow noises
PAIRS = NOISE + 1 + len(SLOW_TIMES)
DRIFT, LEVEL = 0, PAIRS
OVERTONE = LEVEL + PAIRS  # two quadratures of each overtone
#: Overtones of the breathing and the share of its amplitude each may have beforehand; kept small, or
#: breathing at half the frequency would explain as much.
OVERTONES = ((2, 0.25), (3, 0.1))
CREEP = OVERTONE + 2 * len(OVERTONES)
#: Creep after a change of load, as a sum of decays (s); it belongs to the level, not to the noise.
CREEP_TIMES = (2.0, 10.0)
STATES = CREEP + len(CREEP_TIMES)
LEVEL_STATES = [LEVEL, DRIFT, *range(CREEP, STATES)]  # what makes up the level as it moves
SWING_STATES = [SWING, SWING + 1, LEVEL + SWING, LEVEL + SWING + 1, *range(OVERTONE, CREEP)]

#: Breathing at rest lies between about 0.15 and 0.5 Hz; the step is what one model can follow.
FREQUENCIES = tuple(0.15 * 1.22**k for k in range(7))
#: Fast noise: variance of the white part, of the filtered part, its time constant (s).
FASTS = ((1.0, 0.0, 0.1), (0.05, 1.0, 0.06), (0.05, 1.0, 0.12), (0.02, 1.0, 0.22))
#: Slow noise: variance at each of SLOW_TIMES, and the logarithm of how likely it is beforehand.
#: Draughts are the stronger the slower they are.
#: UNEVEN is what breathing leaves that its oscillator does not follow; it stands beside breathing only.
SLOWS = (
    ((0.001, 0.001, 0.001), 0.0),
    ((0.03, 0.03, 0.03), -1.7),
    ((0.22, 0.25, 0.35), -1.5),
    ((1.8, 2.0, 2.8), -2.1),
)
UNEVEN = (((2.0, 0.03, 0.03), -2.1),)
DRAUGHTY = 0.1  # variance of the slowest noise over the fast from which a model counts as one of draughts
DRIFT_PRIOR = 0.5  # resolutions/s
DRIFT_WANDER = 0.02  # resolutions/s over DRIFT_TIME
DRIFT_TIME = 30.0
CREEP_PRIOR = 2.0  # resolutions, each decay
SWING_WANDER = 0.1  # of the breathing's rate, over SWING_RATE_TIME
SWING_RATE_TIME = 8.0  # s
SWING_FLOOR = 0.25  # of the noise scale squared: a breath held comes back
SWING_TIME = 60.0
LOOSE = 0.1  # of the depth of late: what a breath held or let go may be off by from one reading to the next
DEPTH_TIME = 30.0  # s, memory of the depth: a breath held is let go again
DEEPER_TIME = 4.0  # s in which a deeper breath is believed: what goes further sooner is a change of load
DEEPEST = 1.5  # of the depth of late: no breath is deeper than that all at once
QUANTISATION = 1 / 12  # variance of a rectangle one resolution wide
SCALE_TIME = 25.0  # s, memory of each model's noise scale
WEIGHT_TIME = 150.0  # s, memory of the weights
RECALLED = 200.0  # readings, at most, that a memory counts for
SCALE_PRIOR = 0.3  # resolutions
SCALE_FLOOR = 0.02 * QUANTISATION
SCALE_DOF = 4.0


#: Where the two quadratures of the breathing and of each overtone stand, and which harmonic they are.
_SWINGS = ((LEVEL + SWING, 1), *((OVERTONE + 2 * i, harmonic) for i, (harmonic, _) in enumerate(OVERTONES)))
_COSINES, _SINES = [j for j, _ in _SWINGS], [j + 1 for j, _ in _SWINGS]
_HARMONICS = np.array([[harmonic] for _, harmonic in _SWINGS])
#: Of each overtone: how loosely it follows the wander of the breath, the square of the most it may be of it.
_LOOSE = np.array([[harmonic**2 / 4] for harmonic, _ in OVERTONES]) * SWING_RATE_TIME / 2
_MOST = np.array([[(2 * share) ** 2] for _, share in OVERTONES])
_LEVEL_ROWS, _LEVEL_COLUMNS = np.ix_(LEVEL_STATES, LEVEL_STATES)


@dataclass(frozen=True)
class Shapes:
    """The noise each model assumes, arrays of shape (models,). Variances relative to the model's scale."""

    frequency: Floats  # Hz, 0 = no breathing
    white: Floats
    fast: Floats
    fast_time: Floats  # s
    slow: Floats  # variance of each slow noise, (len(SLOW_TIMES), models)
    prior: Floats  # natural logarithm

    def __len__(self) -> int:
        return len(self.frequency)


def standard_shapes() -> Shapes:
    """The bank as shipped: fast noise white or filtered, draughts of four strengths, ten breathings."""
    rows, slows = [], []
    for frequency in (0.0, *FREQUENCIES):
        share = np.log(len(FREQUENCIES)) if frequency else 0.0
        fasts, kinds = (FASTS[1:], SLOWS + UNEVEN) if frequency else (FASTS, SLOWS)
        for (white, fast, tau), (slow, cost) in itertools.product(fasts, kinds):
            rows.append((frequency, white, fast, tau, cost - share))
            slows.append(slow)
    frequency, white, fast, tau, prior = np.array(rows).T
    return Shapes(frequency, white, fast, tau, np.array(slows).T.copy(), prior)


class Bank:
    """The filters. ``weight`` (models,) sums to 1; times in s, readings in resolutions."""

    def __init__(self, shapes: Shapes, reading: float, swing: float, scale: Floats | None = None) -> None:
        """``scale`` (models,) is each model's noise variance beforehand, worth SCALE_DOF readings."""
        self.shapes = shapes
        m = len(shapes)
        self.scale = np.full(m, SCALE_PRIOR**2) if scale is None else np.maximum(scale, SCALE_PRIOR**2)
        self._scale_before = self.scale.copy()
        self.sum_squares = np.zeros(m)
        self.count = np.zeros(m)
        self.log_weight = shapes.prior.copy()
        self.weight = _normalised(self.log_weight)
        # models of one frequency turn together: what turns is kept once for each frequency
        self._pitches, self._pitch = np.unique(shapes.frequency, return_inverse=True)
        self._sounds = (self._pitches > 0).astype(float)
        self.phase = np.zeros(len(self._pitches))
        self._depth = np.zeros(m)  # square of the breathing's amplitude of late
        self.x = np.zeros((STATES, m))
        self.P = np.zeros((STATES, STATES, m))
        self._product = np.empty_like(self.P)
        self._over = self.x[OVERTONE:CREEP].reshape(len(OVERTONES), 2, m)
        self._diagonal = np.einsum("iim->im", self.P)
        self._over_diagonal = self._diagonal[OVERTONE:CREEP].reshape(len(OVERTONES), 2, m)
        # covariances of each rate with the value it drives, both halves
        self._upper = np.einsum("iim->im", self.P[:PAIRS, LEVEL : LEVEL + PAIRS])
        self._lower = np.einsum("iim->im", self.P[LEVEL : LEVEL + PAIRS, :PAIRS])
        self.h = np.zeros((STATES, m))
        self.h[LEVEL] = 1.0
        self.h[LEVEL + NOISE : OVERTONE] = 1.0
        self.h[CREEP:] = 1.0
        self._rates = np.zeros((STATES, m))  # 1/s, decay of each state
        self._lag = 1 / np.array([shapes.fast_time, *np.tile(SLOW_TIMES, (m, 1)).T])
        self._power = np.array([shapes.fast, *shapes.slow])
        self._rates[NOISE:PAIRS] = self._rates[LEVEL + NOISE : OVERTONE] = self._lag
        self._rates[SWING:NOISE] = 1 / SWING_RATE_TIME
        self._rates[LEVEL + SWING : LEVEL + NOISE] = 1 / SWING_TIME
        self._rates[OVERTONE:CREEP] = 1 / SWING_TIME
        self._rates[CREEP:] = 1 / np.array(CREEP_TIMES)[:, None]
        self._wander = 2 * (SWING_WANDER * 2 * np.pi * shapes.frequency) ** 2 / SWING_RATE_TIME
        # a draught reaches the slowest of the noises, unlike the unevenness of breathing
        draughty = shapes.slow[-1] > DRAUGHTY
        self._kinds = np.array([~draughty, draughty], float)
        self._breathes = (shapes.frequency > 0).astype(float)
        self._rate_power = 2 * self._lag**2 * self._power
        self._diagonal[NOISE:PAIRS] = self._rate_power
        self._diagonal[LEVEL + NOISE : OVERTONE] = self._power
        self._upper[NOISE:] = self._lower[NOISE:] = self._lag * self._power
        self._turn()
        self.reset_swing(swing)
        self.begin_level(reading, 1e4)
        self.predicted = self.x[LEVEL].copy()
        self.variance = np.ones(m)

    # -- what is known and what is not --------------------------------------------------------

    def recall(self, scale: Floats, log_weight: Floats, count: Floats) -> None:
        """Start from noise scales, weights and counts learnt before; another bank's are left alone."""
        if not len(self.shapes) == len(scale) == len(log_weight) == len(count):
            return
        ratio = self.scale / scale**2
        self.P *= ratio
        self.scale = scale**2
        self.count = np.minimum(count, RECALLED)
        self.sum_squares = self.scale * (SCALE_DOF + self.count) - SCALE_DOF * self._scale_before
        self.log_weight = log_weight.copy()
        self.weight = _normalised(self.log_weight)

    def forget(self, swing: float, growth: float) -> None:
        """The noise itself has changed: let every model try again, with breathing up to ``swing`` and
        ``growth`` times the noise variance."""
        self.scale = self.scale * growth
        self.sum_squares = self.sum_squares * growth
        self._scale_before = self._scale_before * growth
        self.log_weight = self.shapes.prior.copy()
        self.weight = _normalised(self.log_weight)
        self.reset_swing(swing)

    def begin_level(self, centre: float, spread: float) -> None:
        """Forget the level and drift; what is known of the noise stays."""
        self.P[LEVEL_STATES] = 0.0
        self.P[:, LEVEL_STATES] = 0.0
        self.x[LEVEL_STATES] = 0.0
        self.x[LEVEL] = centre
        self._diagonal[LEVEL] = spread**2 / self.scale
        self._diagonal[DRIFT] = DRIFT_PRIOR**2 / self.scale
        self._diagonal[CREEP:] = CREEP_PRIOR**2 / self.scale

    def reset_swing(self, amplitude: float) -> None:
        """Forget the breathing's phase and amplitude."""
        self.P[SWING_STATES] = 0.0
        self.P[:, SWING_STATES] = 0.0
        self.x[SWING_STATES] = 0.0
        power = self._breathes * amplitude**2 / self.scale
        self._diagonal[LEVEL + SWING : LEVEL + NOISE] = power
        for k, (_, share) in enumerate(OVERTONES):
            self._diagonal[OVERTONE + 2 * k : OVERTONE + 2 * k + 2] = share**2 * power

    def within_breath(self, reading: float) -> bool:
        """Whether breathing as deep as of late may explain a reading: what lies further off is a change."""
        w = self.weight
        if float(w @ self._breathes) < 0.5:
            return False
        return abs(reading - float(w @ self.x[LEVEL])) < DEEPEST * self.depth()

    def depth(self) -> float:
        """Amplitude (resolutions) of the breathing of late, under the mixture."""
        return float(np.sqrt(self.weight @ self._depth))

    def loosen_swing(self) -> None:
        """The breath is not as foretold (held, let go): the next prediction leaves it room."""
        power = LOOSE**2 * self._depth * self._breathes / self.scale
        self._diagonal[LEVEL + SWING : LEVEL + NOISE] += power
        for k, (_, share) in enumerate(OVERTONES):
            self._diagonal[OVERTONE + 2 * k : OVERTONE + 2 * k + 2] += share**2 * power

    @classmethod
    def from_readings(cls, shapes: Shapes, first: list[tuple[float, float]], swing: float) -> Bank:
        """A bank that has taken in the ``first`` readings (time, value), each model's noise scale begun
        from how far off it was on them (the median, so that a jump among them does not count)."""
        trial = cls(shapes, first[0][1], swing)
        off = []
        last = first[0][0]
        for t, value in first:
            trial.predict(t - last)
            off.append((value - trial.predicted) ** 2 / trial.variance)
            trial.update(value, t - last, learn=0.0)
            last = t
        # the median of a squared standard normal is 0.455
        bank = cls(shapes, first[0][1], swing, np.median(off[1:], axis=0) / 0.455)
        last = first[0][0]
        for t, value in first:
            bank.predict(t - last)
            bank.update(value, t - last)
            last = t
        return bank

    # -- one reading --------------------------------------------------------------------------

    def predict(self, dt: float) -> None:
        """Carry every model ``dt`` s (>= 0) forward."""
        x, P = self.x, self.P
        scale = self.scale
        if dt > 0:
            moved, values = self._product[:PAIRS], slice(LEVEL, LEVEL + PAIRS)
            x[values] += dt * x[:PAIRS]
            P[values] += np.multiply(P[:PAIRS], dt, out=moved)
            moved = moved.reshape(STATES, PAIRS, -1)
            P[:, values] += np.multiply(P[:, :PAIRS], dt, out=moved)
            decay = np.exp(-dt * self._rates)
            x *= decay
            P *= decay[:, None]
            P *= decay
            self._coloured_noise(dt)
            # process noise of drift and breathing
            breath = np.square(x[LEVEL + SWING : LEVEL + NOISE]).sum(axis=0)
            rises = breath > self._depth
            deeper, shallower = -math.expm1(-dt / DEEPER_TIME), -math.expm1(-dt / DEPTH_TIME)
            self._depth += (rises * breath - self._depth) * np.where(rises, deeper, shallower)
            q = np.empty((NOISE, len(scale)))
            q[DRIFT] = 2 * DRIFT_WANDER**2 / DRIFT_TIME
            q[SWING:] = self._wander * (breath + SWING_FLOOR * scale)
            q /= scale
            self._diagonal[:NOISE] += q * dt
            self._diagonal[LEVEL : LEVEL + NOISE] += q * (dt**3 / 3)
            self._upper[:NOISE] += q * (dt**2 / 2)
            self._lower[:NOISE] += q * (dt**2 / 2)
            # an overtone goes with the breath: it may not wander without it
            power = np.minimum(np.square(self._over).sum(axis=1), _MOST * breath)
            self._over_diagonal += (power * _LOOSE * (self._wander * dt / scale))[:, None]
            self.phase = (self.phase + 2 * np.pi * dt * self._pitches) % (2 * np.pi)
            self._turn()
        # the rates are not seen by a reading: their rows of h are zero
        seen = self.h[LEVEL:]
        self.predicted = np.einsum("im,im->m", seen, x[LEVEL:])
        self._Ph = np.einsum("ijm,jm->im", P[:, LEVEL:], seen)
        # a model of pure noise states still meets a display with digits
        self._R = self.shapes.white + QUANTISATION / scale
        self.variance = np.einsum("im,im->m", seen, self._Ph[LEVEL:]) + self._R

    def _turn(self) -> None:
        turned = _HARMONICS * self.phase
        self.h[_COSINES] = (self._sounds * np.cos(turned))[:, self._pitch]
        self.h[_SINES] = (-self._sounds * np.sin(turned))[:, self._pitch]

    def _coloured_noise(self, dt: float) -> None:
        """Exact process noise of critically damped second-order noise (Matern 3/2)."""
        u = 2 * dt * self._lag
        E = np.exp(-u)
        cross = self._power * self._lag * (1 - E * (1 + u))
        self._upper[NOISE:] += cross
        self._lower[NOISE:] += cross
        self._diagonal[NOISE:PAIRS] += self._rate_power * (1 - E)
        self._diagonal[LEVEL + NOISE : OVERTONE] += self._power * (1 - E * (1 + u + u * u / 2))

    def forecast(self) -> tuple[float, float]:
        """Mean and variance of the next reading under the mixture."""
        mean = float(self.weight @ self.predicted)
        spread = self.scale * self.variance + (self.predicted - mean) ** 2
        return mean, float(self.weight @ spread)

    def update(
        self, reading: float, dt: float, inflate: float = 1.0, learn: float = 1.0, extra: float = 0.0
    ) -> None:
        """Take the reading in. ``inflate`` widens it (a doubtful one); ``learn`` 0..1 is how much
        the noise scales and weights are to believe it (little while a transient dies)."""
        error = reading - self.predicted
        S = self.variance
        shapes = self.shapes
        dof = SCALE_DOF + self.count
        z = error**2 / (S * self.scale)
        likelihood = -0.5 * np.log(S * self.scale) - 0.5 * (dof + 1) * np.log1p(np.minimum(z, 25.0) / dof)
        keep = 1 - (1 - np.exp(-dt / WEIGHT_TIME)) * learn
        self.log_weight = shapes.prior + keep * (self.log_weight - shapes.prior) + likelihood * learn
        self.log_weight -= self.log_weight.max()
        self.weight = _normalised(self.log_weight)
        gain = self._Ph / (S * inflate + extra / self.scale)
        self.x += gain * error
        self.P -= np.multiply(gain[:, None], self._Ph, out=self._product)
        keep = 1 - (1 - np.exp(-dt / SCALE_TIME)) * learn
        self.sum_squares = keep * self.sum_squares + learn * np.minimum(error**2 / S, 9.0 * self.scale)
        self.count = keep * self.count + learn
        scale = (SCALE_DOF * self._scale_before + self.sum_squares) / (SCALE_DOF + self.count)
        self.scale = np.maximum(scale, SCALE_FLOOR)

    # -- what the mixture says ----------------------------------------------------------------

    def level(self) -> tuple[Floats, Floats]:
        """Mean under the mixture of what makes up the level: itself, drift, creep; and what the models
        without and with draughts add to its covariance, shape (2, states, states)."""
        w = self.weight
        states = self.x[LEVEL_STATES]
        mean = states @ w
        off = states - mean[:, None]
        dof = SCALE_DOF + self.count  # a scale known from few readings: Student's variance
        parts = self._kinds * w
        spread = parts * (self.scale * dof / (dof - 2))
        inside = self.P[_LEVEL_ROWS, _LEVEL_COLUMNS] @ spread.T
        return mean, inside.transpose(2, 0, 1) + (parts[:, None] * off) @ off.T

    def noise(self, dt: float = 0.0) -> Floats:
        """What each model expects over the level ``dt`` s from now, shape (models,)."""
        x = self.x
        value = (x[LEVEL : LEVEL + PAIRS] + dt * x[:PAIRS]) * np.exp(-dt * self._rates[:PAIRS])
        x = np.concatenate([x[:LEVEL], value, x[OVERTONE:]])
        phase = (self.phase + 2 * np.pi * dt * self._pitches)[self._pitch]
        swing = [x[j] * np.cos(k * phase) - x[j + 1] * np.sin(k * phase) for j, k in _SWINGS]
        return self._breathes * np.sum(swing, axis=0) + value[NOISE:].sum(axis=0)

    def swing(self) -> tuple[float, float]:
        """Frequency (Hz) and amplitude (resolutions) of the breathing, weighted; 0 if there is none."""
        w = self.weight
        share = float(w @ self._breathes)
        if share < 0.5:
            return 0.0, 0.0
        amplitude = np.hypot(*self.x[LEVEL + SWING : LEVEL + NOISE])
        return float(w @ self.shapes.frequency) / share, float(w @ amplitude)

    def sigma(self) -> float:
        """Standard deviation of the fast noise of one reading under the best model (resolutions)."""
        best = int(np.argmax(self.weight))
        s = self.shapes
        return float(np.sqrt(self.scale[best] * (self._R[best] + s.fast[best] + s.slow[0, best])))


def _normalised(log_weight: Floats) -> Floats:
    w = np.exp(log_weight - log_weight.max())
    return w / w.sum()
