"""What a bench does to a balance besides the load: people breathing and walking, draughts, drift.

Each source is a small recursion, one number a time step, from its own seeded stream of random
numbers: what one source does never depends on whether another is switched on.
All loads are in g, times in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, exp, log, pi, sin, sqrt

import numpy as np


class Normals:
    """A seeded stream of standard normal numbers, drawn in blocks because one at a time is slow."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        self.rng = np.random.default_rng(seed)
        self._block: list[float] = []

    def next(self) -> float:
        try:
            return self._block.pop()
        except IndexError:
            self._block = self.rng.standard_normal(2048).tolist()
            return self._block.pop()


class Wander:
    """A stationary random walk that forgets itself in ``tau`` (Ornstein-Uhlenbeck), deviation ``sd``."""

    def __init__(self, normals: Normals, dt: float, tau: float, sd: float) -> None:
        self._next, self.keep = normals.next, exp(-dt / tau)
        self.kick = sd * sqrt(1.0 - self.keep**2)
        self.value = sd * normals.next()

    def step(self) -> float:
        self.value = value = self.keep * self.value + self.kick * self._next()
        return value


class Breathing:
    """Somebody beside the bench: a rhythm whose rate and depth wander, with two overtones."""

    def __init__(self, normals: Normals, dt: float, amplitude: float, rate: float) -> None:
        self.dt, self.amplitude, self.rate = dt, amplitude, rate
        self.phase = 2 * pi * normals.rng.uniform()
        self.overtones = normals.rng.uniform(0.0, (0.4, 0.15))
        self.offsets = normals.rng.uniform(0.0, 2 * pi, 2)
        self.pace = Wander(normals, dt, 8.0, 0.10)
        self.depth = Wander(normals, dt, 10.0, 0.20)

    def step(self) -> float:
        self.phase += 2 * pi * self.dt * self.rate * exp(self.pace.step())
        wave = cos(self.phase)
        wave += self.overtones[0] * cos(2 * self.phase + self.offsets[0])
        wave += self.overtones[1] * cos(3 * self.phase + self.offsets[1])
        return self.amplitude * exp(self.depth.step()) * wave


class Footsteps:
    """Somebody walks past now and then: each step rings the floor, which tilts a little as well."""

    def __init__(self, normals: Normals, dt: float, amplitude: float, pause: float) -> None:
        self.normals, self.dt, self.amplitude, self.pause = normals, dt, amplitude, pause
        turn, decay = 2 * pi * 7.0 * dt, exp(-dt / 0.2)
        self.c1, self.c2, self.sin = 2 * decay * cos(turn), -(decay**2), decay * sin(turn)
        self.a = self.b = self.tilt = 0.0
        self.tilt_keep = exp(-dt / 0.15)
        self.steps_left = 0
        self.wait = normals.rng.exponential(pause)

    def step(self) -> float:
        kick = 0.0
        self.wait -= self.dt
        if self.wait <= 0.0:
            rng = self.normals.rng
            if self.steps_left <= 0:
                self.steps_left = int(rng.integers(2, 9))
            kick = self.amplitude * float(rng.uniform(0.3, 1.0)) * (1.0 if rng.uniform() < 0.5 else -1.0)
            self.tilt += 0.15 * self.amplitude * float(rng.uniform(-1.0, 1.0))
            self.steps_left -= 1
            self.wait = float(
                rng.uniform(0.45, 0.65) if self.steps_left else rng.exponential(self.pause) + 1.0
            )
        self.a, self.b = self.c1 * self.a + self.c2 * self.b + self.sin * kick, self.a
        self.tilt *= self.tilt_keep
        return self.a + self.tilt


class Draught:
    """Moving air: about 1/f between a hundredth and a few hertz, as a sum of wanderings."""

    def __init__(self, normals: Normals, dt: float, level: float) -> None:
        self.level = level
        times = (0.2, 0.8, 3.2, 12.8)
        self.parts = [Wander(normals, dt, tau, 1.0 / sqrt(len(times))) for tau in times]

    def step(self) -> float:
        total = 0.0
        for part in self.parts:
            total += part.step()
        return self.level * total


class Drift:
    """The balance's zero: a rate (g/s) that itself wanders over minutes."""

    def __init__(self, normals: Normals, dt: float, rate: float) -> None:
        self.dt, self.value = dt, 0.0
        self.rate = Wander(normals, dt, 300.0, rate)

    def step(self) -> float:
        self.value += self.dt * self.rate.step()
        return self.value


@dataclass(frozen=True)
class DisturbanceLevels:
    """How disturbed a bench is: g, Hz, s."""

    breathing: float = 0.0
    breathing_rate: float = 0.25
    footsteps: float = 0.0
    footsteps_pause: float = 60.0
    draught: float = 0.0
    drift_rate: float = 0.0
    creep: float = 0.0
    creep_time: float = 12.0


class Disturbances:
    """All of them together: one number (g) a time step."""

    def __init__(self, seed: np.random.SeedSequence, dt: float, levels: DisturbanceLevels) -> None:
        breath, feet, air, zero, hand = (Normals(child) for child in seed.spawn(5))
        self.dt, self.levels = dt, levels
        self.breathing = Breathing(breath, dt, levels.breathing, levels.breathing_rate)
        self.footsteps = Footsteps(feet, dt, levels.footsteps, levels.footsteps_pause)
        self.draught = Draught(air, dt, levels.draught)
        self.drift = Drift(zero, dt, levels.drift_rate)
        self.hand_normals = hand
        self.hand = Wander(hand, dt, 0.15, 1.0)
        self.hand_level = 0.0
        self._creep = 0.0
        self._creep_keep = exp(-dt / levels.creep_time)
        self._knock = 0.0
        self._knock_keep = exp(log(0.02) * dt / 0.5)

    def placed(self) -> None:
        """Something was put down: what follows creeps to rest."""
        self._creep += self.levels.creep * (0.6 + 0.8 * float(self.hand_normals.rng.uniform()))
        self._creep *= 1.0 if self.hand_normals.rng.uniform() < 0.5 else -1.0

    def knock(self, size: float) -> None:
        """The bench was bumped: a blow of ``size`` g that dies away in a few tenths of a second."""
        self._knock += size

    def step(self) -> float:
        self._creep *= self._creep_keep
        self._knock *= self._knock_keep
        load = self._creep + self._knock + self.drift.step()
        if self.levels.breathing:
            load += self.breathing.step()
        if self.levels.footsteps:
            load += self.footsteps.step()
        if self.draught.level:
            load += self.draught.step()
        touch = self.hand.step()
        if self.hand_level:
            load += self.hand_level * touch
        return load
