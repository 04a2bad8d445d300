"""What a bench does to a reading: the physics of each disturbance at RATE, and the law it was drawn from.

Each function gives a force over time in the unit of its amplitude, shape (n,). Amplitudes and times of
the classes are common practice, no source, but where one is named.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Rng = np.random.Generator

RATE = 100.0  # Hz of the physics


def logarithmic(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def sign(rng: Rng) -> int:
    return int(rng.choice([-1, 1]))


def wandering(rng: Rng, n: int, time: float, sd: float) -> Floats:
    """A stationary first-order random process at RATE with correlation time ``time`` (s)."""
    a = np.exp(-1 / (RATE * time))
    e = rng.standard_normal(n)
    e[1:] *= np.sqrt(1 - a * a)
    return sd * lfilter([1.0], [1.0, -a], e)


def breathing(rng: Rng, n: int, amplitude: float, frequency: float) -> tuple[Floats, dict[str, Any]]:
    """Breathing of wandering rate and depth with two overtones, and the laws it was made by."""
    rate_time, depth_time = rng.uniform(4, 10), rng.uniform(6, 15)
    rate_sd, depth_sd = rng.uniform(0.05, 0.15), rng.uniform(0.1, 0.3)
    f = frequency * np.exp(wandering(rng, n, rate_time, rate_sd))
    depth = amplitude * np.exp(wandering(rng, n, depth_time, depth_sd))
    phase = 2 * np.pi * (rng.uniform() + np.cumsum(f) / RATE)
    overtones = np.array([1.0, rng.uniform(0, 0.4), rng.uniform(0, 0.15)])
    offsets = rng.uniform(0, 2 * np.pi, 3)
    k = np.arange(1, 4)
    angle = np.outer(phase, k) + offsets
    law = {
        "depth": depth,
        "rate": f,
        "phase": phase,
        "wave": np.cos(angle) @ overtones,
        "slope": -np.sin(angle) @ (overtones * k),
        "rate_time": rate_time,
        "depth_time": depth_time,
        "rate_sd": rate_sd,
        "depth_sd": depth_sd,
        "frequency": frequency,
    }
    return depth * law["wave"], law


def held_breath(rng: Rng, n: int) -> Floats:
    """1 while breathing, 0 while the breath is held, with soft edges."""
    gate = np.ones(n)
    t = rng.uniform(0, 15)
    while t < n / RATE:
        length = rng.uniform(4, 14)
        gate[int(t * RATE) : int((t + length) * RATE)] = 0
        t += length + rng.uniform(6, 20)
    edge = np.hanning(int(0.8 * RATE))
    return np.convolve(np.pad(gate, 200, mode="edge"), edge / edge.sum(), "same")[200 : 200 + n]


def footsteps(rng: Rng, n: int, amplitude: float) -> Floats:
    """Bursts of steps: decaying ringing of the floor, and a little tilt of the slab."""
    x = np.zeros(n)
    t = rng.uniform(0, 10)
    ringing, decay = rng.uniform(5, 14), rng.uniform(0.1, 0.35)
    k = np.arange(int(6 * decay * RATE)) / RATE
    while t < n / RATE:
        for _ in range(rng.integers(1, 9)):
            i = int(t * RATE)
            if i >= n:
                break
            step = np.exp(-k / decay) * np.sin(2 * np.pi * ringing * k) * rng.uniform(0.3, 1) * sign(rng)
            step += 0.15 * rng.uniform(-1, 1) * np.exp(-k / 0.15)
            x[i : i + len(step)] += amplitude * step[: n - i]
            t += rng.uniform(0.45, 0.65)
        t += rng.exponential(8.0) + 1.0
    return x


def draught(rng: Rng, n: int, sd: float, alpha: float, slowest: float = 60.0) -> tuple[Floats, Floats]:
    """1/f^alpha noise of variance 2 ``sd``^2 between 0.02 and 2 Hz, flat below 1/``slowest`` (s) and falling
    above 5 Hz, and its autocovariance."""
    N = 1 << int(np.ceil(np.log2(n * 2)))
    f = np.fft.rfftfreq(N, 1 / RATE)
    S = 1 / np.maximum(f, 1 / slowest) ** alpha / (1 + (f / 5.0) ** 2)
    S[0] = 0
    band = (f >= 0.02) & (f <= 2.0)
    S *= 2 * sd**2 / (S[band].sum() * f[1])
    z = (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) * np.sqrt(S * f[1] / 4)
    return np.fft.irfft(z, N)[:n] * N, np.fft.irfft(S * f[1], N) * N / 2


def stays(rng: Rng, n: int, stay: float, away: float, edge: tuple[float, float]) -> Floats:
    """0 while away, near 1 while there: exponential times of mean ``stay`` and ``away`` (s), each stay
    of its own size (0.7 to 1.3), with soft edges of ``edge`` s from least to most."""
    x = np.zeros(n)
    t = -rng.exponential(stay + away)  # in the middle of it when the record begins
    while t < n / RATE:
        t += 1.0 + rng.exponential(away)
        length = 2.0 + rng.exponential(stay)
        size = rng.uniform(0.7, 1.3)
        rise, fall = rng.uniform(*edge, 2)
        k = np.arange(max(int(t * RATE), 0), min(int((t + length + fall) * RATE), n))
        s = k / RATE - t
        up = np.clip(s / rise, 0, 1)
        down = np.clip((s - length) / fall, 0, 1)
        x[k] += size * (up * up * (3 - 2 * up)) * (1 - down * down * (3 - 2 * down))
        t += length
    return x


def leaning(rng: Rng, n: int, amplitude: float, stay: float, away: float) -> Floats:
    """A person leans on the table: it bends within a third of a second, sways with the body, and is
    released after seconds to a minute."""
    there = stays(rng, n, stay, away, (0.15, 0.7))
    return amplitude * there * (1 + wandering(rng, n, rng.uniform(0.3, 2.0), rng.uniform(0.01, 0.06)))


def building(rng: Rng, n: int, amplitude: float, stay: float, away: float) -> Floats:
    """A lift of the building: its car's weight tilts the floor while it stands on another storey."""
    return amplitude * stays(rng, n, stay, away, (1.5, 5.0))


def switching(rng: Rng, n: int, amplitude: float, on: float, off: float) -> Floats:
    """Air conditioning that switches: a steady pull on the pan that comes and goes with the fan's run-up
    and the room's air (first order), and turbulence while it blows."""
    period = on + off
    t = np.arange(n) / RATE + rng.uniform(0, period)
    blows = (t % period < on).astype(float)
    a = np.exp(-1 / (RATE * rng.uniform(1.0, 6.0)))
    blows = lfilter([1 - a], [1, -a], blows, zi=[a * blows[0]])[0]
    turbulence, _ = draught(rng, n, 1.0, rng.uniform(0.8, 1.6))
    return amplitude * blows * (1 + rng.uniform(0.05, 0.3) * turbulence)


def beating(rng: Rng, n: int, amplitude: float) -> Floats:
    """Two machines of nearly the same speed: their sum swells and fades every 1 to 30 s."""
    t = np.arange(n) / RATE
    frequency = rng.uniform(5, 25)
    other = frequency + 1 / logarithmic(rng, 1, 30)
    share = rng.uniform(0.6, 1.0)
    first, second = rng.uniform(0, 2 * np.pi, 2)
    return amplitude * (
        np.sin(2 * np.pi * frequency * t + first) + share * np.sin(2 * np.pi * other * t + second)
    )


def creep_left(law: str, t: float | Floats, time: float) -> Floats:
    """How much of a creep of size one is left ``t`` s (>= 0) after the load came.

    ``exponential`` is the usual first-order model; ``reciprocal`` and ``logarithmic`` are what sums of many
    decays give: the rest falls as 1/t, or its rate does (then it has no end: one per factor e of time).
    """
    t = np.asarray(t, float)
    if law == "exponential":
        return np.exp(-t / time)
    if law == "reciprocal":
        return 1 / (1 + t / time)
    if law == "logarithmic":
        return -np.log1p(t / time)
    raise ValueError(f"no creep law named {law!r}")
