"""A bank of Kalman filters run side by side on the same readings.

Each model says what may lie over the level: the balance's own filtered sensor noise, slow coloured noise
(draughts) of some strength, and breathing at some frequency. Every model estimates the level under its own
assumption; how well it predicts the next reading gives its weight, and the spread between the models is part
of the uncertainty (Magill 1965, IEEE Trans. Autom. Control 10, 434: multiple-model adaptive estimation).
Everything here is in units of the balance's resolution and in seconds; nothing here knows about acceptance.

All models share one state layout, so that one reading costs a fixed number of numpy operations over the model
axis, which comes last: numpy is quickest along it. The oscillators are kept in a frame that turns with their
frequency: the turning then sits in the observation row and not in the transition, which stays diagonal but
for the value-rate pairs.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np

from ..records.arrays import Floats
from .noise_shapes import Shapes
from .settings import (
    CREEP_PRIOR,
    CREEP_TIMES,
    DEEPEST,
    DEPTH_SHARE,
    DRAUGHTY,
    DRIFT_PRIOR,
    DRIFT_TIME,
    DRIFT_WANDER,
    LEVEL_PRIOR,
    LOOSE,
    LOST,
    MOST_RECALLED,
    OVERTONES,
    PRIOR_TIME,
    QUANTISATION,
    RECALLED,
    SCALE_DOF,
    SCALE_FLOOR,
    SCALE_PRIOR,
    SCALE_TIME,
    SLOW_TIMES,
    STEPS_KEPT,
    SWING_FLOOR,
    SWING_RATE_TIME,
    SWING_TIME,
    SWING_WANDER,
    TINY,
    WEIGHT_TIME,
    WIDEST,
)
from .time_step import TimeStep

# State layout: PAIRS rates, then the PAIRS values they drive, then plain decaying states.
SWING = 1  # two quadratures of the breathing
NOISE = 3  # filtered sensor noise, then the slow noises
PAIRS = NOISE + 1 + len(SLOW_TIMES)
DRIFT, LEVEL = 0, PAIRS
OVERTONE = LEVEL + PAIRS  # two quadratures of each overtone
CREEP = OVERTONE + 2 * len(OVERTONES)
STATES = CREEP + len(CREEP_TIMES)
LEVEL_STATES = [LEVEL, DRIFT, *range(CREEP, STATES)]  # what makes up the level as it moves
SWING_STATES = [SWING, SWING + 1, LEVEL + SWING, LEVEL + SWING + 1, *range(OVERTONE, CREEP)]

#: Where the two quadratures of the breathing and of each overtone stand, and which harmonic they are.
_SWINGS = ((LEVEL + SWING, 1), *((OVERTONE + 2 * i, harmonic) for i, (harmonic, _) in enumerate(OVERTONES)))
_COSINES, _SINES = [j for j, _ in _SWINGS], [j + 1 for j, _ in _SWINGS]
_HARMONICS = np.array([[harmonic] for _, harmonic in _SWINGS])
#: Of each overtone: how loosely it follows the wander of the breath, the square of the most it may be of it.
_LOOSE = np.array([[harmonic**2 / 4] for harmonic, _ in OVERTONES]) * SWING_RATE_TIME / 2
_MOST = np.array([[(2 * share) ** 2] for _, share in OVERTONES])
_SHARES = np.array([[[share]] for _, share in OVERTONES])
_DRIFT_POWER = 2 * DRIFT_WANDER**2 / DRIFT_TIME
_LEVEL_ROWS, _LEVEL_COLUMNS = np.ix_(LEVEL_STATES, LEVEL_STATES)


class Bank:
    """The filters. ``weight`` (models,) sums to 1; times in s, readings in resolutions."""

    def __init__(
        self,
        shapes: Shapes,
        reading: float,
        swing: float,
        scale: Floats | None = None,
        moves: tuple[float, float] = (DRIFT_PRIOR, CREEP_PRIOR),
    ) -> None:
        """Beforehand: ``scale`` (models,), variance worth SCALE_DOF readings; ``moves``, drift and creep."""
        self.shapes = shapes
        self._drift, self._creep = moves
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
        self.P = np.zeros((STATES, STATES, m), np.float32)
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
        self._rates = np.zeros((STATES, 1))  # 1/s, decay of each state, but of the balance's own noise
        self._lag = 1 / np.array([shapes.fast_time, *np.tile(SLOW_TIMES, (m, 1)).T])
        self._power = np.array([shapes.fast, *shapes.slow])
        slow = 1 / np.array(SLOW_TIMES)[:, None]
        self._rates[NOISE + 1 : PAIRS] = self._rates[LEVEL + NOISE + 1 : OVERTONE] = slow
        self._steps: dict[float, TimeStep] = {}
        self._rates[SWING:NOISE] = 1 / SWING_RATE_TIME
        self._rates[LEVEL + SWING : LEVEL + NOISE] = 1 / SWING_TIME
        self._rates[OVERTONE:CREEP] = 1 / SWING_TIME
        self._rates[CREEP:] = 1 / np.array(CREEP_TIMES)[:, None]
        wander = 2 * (SWING_WANDER * 2 * np.pi * shapes.frequency) ** 2 / SWING_RATE_TIME
        self._wander = np.tile(wander, (NOISE, 1))
        self._loose = _LOOSE * wander
        # a draught reaches the slowest of the noises, unlike the unevenness of breathing
        draughty = shapes.slow[-1] > DRAUGHTY
        self._kinds = np.array([~draughty, draughty], float)
        self._breathes = (shapes.frequency > 0).astype(float)
        self._rate_power = 2 * self._lag**2 * self._power
        self._noises_at_rest(slice(None))
        self._turn()
        self.reset_swing(swing)
        self.begin_level(reading, LEVEL_PRIOR)
        self.predicted = self.x[LEVEL].copy()
        self.variance = np.ones(m)

    def _noises_at_rest(self, models: Any) -> None:
        self._diagonal[NOISE:PAIRS, models] = self._rate_power[:, models]
        self._diagonal[LEVEL + NOISE : OVERTONE, models] = self._power[:, models]
        self._upper[NOISE:, models] = self._lower[NOISE:, models] = (self._lag * self._power)[:, models]

    def _begin_again(self, models: Any, reading: float) -> None:
        """Models whose covariances have grown out of their seven digits know nothing any more."""
        self.P[:, :, models] = 0.0
        self.x[:, models] = 0.0
        self._depth[models] = 0.0
        self._noises_at_rest(models)
        self._level_unknown(models, reading, LEVEL_PRIOR)

    def _level_unknown(self, models: Any, centre: float, spread: float) -> None:
        scale = self.scale[models]
        self.x[LEVEL, models] = centre
        self._diagonal[LEVEL, models] = np.minimum(spread**2 / scale, WIDEST)
        self._diagonal[DRIFT, models] = self._drift**2 / scale
        self._diagonal[CREEP:, models] = self._creep**2 / scale

    # -- what is known and what is not --------------------------------------------------------

    def recall(self, scale: Floats, log_weight: Floats, count: Floats, depth: float) -> None:
        """Start from noise scales, weights, counts and depth of breathing learnt before."""
        ratio = self.scale / scale**2
        self.P *= np.minimum(ratio, WIDEST / np.maximum(self._diagonal.max(axis=0), 1.0)).astype(np.float32)
        self.scale = scale**2
        self.count = np.minimum(count, RECALLED)
        self.sum_squares = self.scale * (SCALE_DOF + self.count) - SCALE_DOF * self._scale_before
        self.log_weight = np.maximum(log_weight, log_weight.max() - MOST_RECALLED)
        self.weight = _normalised(self.log_weight)
        self._depth = np.maximum(self._depth, self._breathes * depth**2)

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
        self._level_unknown(slice(None), centre, spread)

    def reset_swing(self, amplitude: float) -> None:
        """Forget the breathing's phase and amplitude."""
        self.P[SWING_STATES] = 0.0
        self.P[:, SWING_STATES] = 0.0
        self.x[SWING_STATES] = 0.0
        self._widen_swing(amplitude**2)

    def _widen_swing(self, square: float | Floats) -> None:
        power = self._breathes * np.minimum(square / self.scale, WIDEST)
        self._diagonal[LEVEL + SWING : LEVEL + NOISE] += power
        self._over_diagonal += _SHARES**2 * power

    def within_breath(self, reading: float) -> bool:
        """Whether breathing as deep as of late may explain a reading: what lies further off is a change."""
        w = self.weight
        breathes = float(w @ self._breathes) >= 0.5
        return breathes and abs(reading - float(w @ self.x[LEVEL])) < DEEPEST * self.depth()

    def depth(self) -> float:
        """Amplitude (resolutions) of the breathing of late, under the mixture."""
        return float(np.sqrt(self.weight @ self._depth))

    def loosen_swing(self) -> None:
        """The breath is not as predicted (held, released): the next prediction leaves it room."""
        self._widen_swing(LOOSE**2 * self._depth)

    @classmethod
    def from_readings(
        cls,
        shapes: Shapes,
        first: list[tuple[float, float]],
        swing: float,
        moves: tuple[float, float] = (DRIFT_PRIOR, CREEP_PRIOR),
        known: tuple[Floats, Floats, Floats, float] | None = None,
    ) -> Bank:
        """A bank that has taken in the ``first`` readings (time, value), each model's noise scale begun
        from how far off it was on them (the median, so that a jump among them does not count), but no less
        than ``known`` (see ``recall``), for a breath that turns stands still."""
        trial = cls(shapes, first[0][1], swing)
        off = []
        steps = [(t - before, value) for (before, _), (t, value) in itertools.pairwise([first[0], *first])]
        for dt, value in steps:
            trial.predict(dt)
            off.append((value - trial.predicted) ** 2 / trial.variance)
            trial.update(value, dt, learn=0.0)
        least = 0.0 if known is None else known[0] ** 2
        # the median of a squared standard normal is 0.455
        scale = np.maximum(np.median(off[1:], axis=0) / 0.455, least)
        bank = cls(shapes, first[0][1], swing, scale, moves)
        for dt, value in steps:
            bank.predict(dt)
            bank.update(value, dt)
        if known is not None:
            bank.recall(*known)
        return bank

    # -- one reading --------------------------------------------------------------------------

    def predict(self, dt: float) -> None:
        """Carry every model ``dt`` s (>= 0) forward."""
        x, P = self.x, self.P
        scale = self.scale
        if dt > 0:
            step = self._step(dt)
            values = slice(LEVEL, LEVEL + PAIRS)
            moved = self._product[:PAIRS]
            x[values] += dt * x[:PAIRS]
            P[values] += np.multiply(P[:PAIRS], dt, out=moved)
            moved = moved.reshape(STATES, PAIRS, -1)
            P[:, values] += np.multiply(P[:, :PAIRS], dt, out=moved)
            # the balance's own noise decays as fast as its filter, which each model has its own of
            x *= step.decay
            P *= step.decays
            for k in (NOISE, LEVEL + NOISE):
                x[k] *= step.fast
                P[k] *= step.fast
                P[:, k] *= step.fast
            # process noise: of drift and breathing by what they are now, of the coloured noises fixed
            breath = np.square(x[LEVEL + SWING : LEVEL + NOISE]).sum(axis=0)
            rises = breath > self._depth
            self._depth += (rises * breath - self._depth) * np.where(rises, step.deeper, step.shallower)
            # a step taken for a breath may not feed itself until the numbers end
            q = self._wander * (np.minimum(breath / scale, WIDEST) + SWING_FLOOR)
            q[DRIFT] = _DRIFT_POWER / scale
            self._diagonal[:NOISE] += q * dt
            self._diagonal[LEVEL : LEVEL + NOISE] += q * (dt**3 / 3)
            q *= dt**2 / 2
            self._upper[:NOISE] += q
            self._lower[:NOISE] += q
            self._upper[NOISE:] += step.cross
            self._lower[NOISE:] += step.cross
            self._diagonal[NOISE:PAIRS] += step.rates
            self._diagonal[LEVEL + NOISE : OVERTONE] += step.values
            # an overtone goes with the breath: it may not wander without it
            power = np.minimum(np.square(self._over).sum(axis=1), _MOST * breath)
            power *= self._loose * (dt / scale)
            self._over_diagonal += power[:, None]
            self._diagonal[CREEP:] += TINY
            self.phase = (self.phase + 2 * np.pi * dt * self._pitches) % (2 * np.pi)
            self._turn()
        # the rates are not seen by a reading: their rows of h are zero
        seen = self.h[LEVEL:]
        self.predicted = np.einsum("im,im->m", seen, x[LEVEL:])
        self._Ph = np.einsum("ijm,jm->im", P[:, LEVEL:], seen.astype(np.float32))
        # a model of pure noise states still meets a display with digits
        self._R = self.shapes.white + QUANTISATION / scale
        self.variance = np.maximum(np.einsum("im,im->m", seen, self._Ph[LEVEL:]), 0.0) + self._R

    def _step(self, dt: float) -> TimeStep:
        """What depends on the time step only; readings come at few different ones."""
        step = self._steps.get(dt)
        if step is None:
            if len(self._steps) >= STEPS_KEPT:
                self._steps.clear()
            step = self._steps[dt] = TimeStep.of(dt, self._rates, self._lag, self._power)
        return step

    def _turn(self) -> None:
        turned = _HARMONICS * self.phase
        self.h[_COSINES] = (self._sounds * np.cos(turned))[:, self._pitch]
        self.h[_SINES] = (-self._sounds * np.sin(turned))[:, self._pitch]

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
        self.P -= np.multiply(gain.astype(np.float32)[:, None], self._Ph, out=self._product)
        fade = math.exp(-dt * learn / PRIOR_TIME)
        self._scale_before = SCALE_PRIOR**2 + fade * (self._scale_before - SCALE_PRIOR**2)
        keep = 1 - (1 - np.exp(-dt / SCALE_TIME)) * learn
        self.sum_squares = keep * self.sum_squares + learn * np.minimum(error**2 / S, 9.0 * self.scale)
        self.count = keep * self.count + learn
        scale = (SCALE_DOF * self._scale_before + self.sum_squares) / (SCALE_DOF + self.count)
        self.scale = np.maximum(scale, SCALE_FLOOR)
        lost = ~(self._diagonal.max(axis=0) < LOST)
        if lost.any():
            self._begin_again(lost, reading)

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
        value = (x[LEVEL : LEVEL + PAIRS] + dt * x[:PAIRS]) * self._decay(dt)
        x = np.concatenate([x[:LEVEL], value, x[OVERTONE:]])
        phase = (self.phase + 2 * np.pi * dt * self._pitches)[self._pitch]
        swing = [x[j] * np.cos(k * phase) - x[j + 1] * np.sin(k * phase) for j, k in _SWINGS]
        return self._breathes * np.sum(swing, axis=0) + value[NOISE:].sum(axis=0)

    def _decay(self, dt: float) -> Floats:
        """How much of each value of a pair is left ``dt`` s from now, shape (PAIRS, models)."""
        decay = np.tile(np.exp(-dt * self._rates[:PAIRS]), (1, len(self.shapes)))
        decay[NOISE] = np.exp(-dt * self._lag[0])
        return decay

    def swing(self) -> tuple[float, float]:
        """Frequency (Hz) and amplitude (resolutions) of the breathing, weighted; 0 if there is none. It is no
        shallower than a share of its depth of late: a part of a breath passes for a change of level."""
        share = float(self.weight @ self._breathes)
        if share < 0.5:
            return 0.0, 0.0
        amplitude = float(self.weight @ np.hypot(*self.x[LEVEL + SWING : LEVEL + NOISE]))
        return float(self.weight @ self.shapes.frequency) / share, max(amplitude, DEPTH_SHARE * self.depth())

    def sigma(self) -> float:
        """Standard deviation of the fast noise of one reading under the best model (resolutions)."""
        best = int(np.argmax(self.weight))
        s = self.shapes
        return float(np.sqrt(self.scale[best] * (self._R[best] + s.fast[best] + s.slow[0, best])))


def _normalised(log_weight: Floats) -> Floats:
    w = np.exp(log_weight - log_weight.max())
    return w / w.sum()
