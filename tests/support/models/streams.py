"""Seeded balance streams whose true level is known: what a bench does to a reading, in twelve classes.

Units are mg and s. Forces are made at 100 Hz, passed through the balance's closed loop (second order)
and its digital filter, sampled at the output rate, rounded to the digit, and delayed or lost on the
line. The disturbances: sensor noise, breathing (its rate and depth wander), a breath held and let go,
footsteps and vibration, draughts (1/f^alpha), drift, creep after placing, a touch, a poor line, and
everything at once. Amplitudes are drawn log-uniformly in units of the digit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter

Floats = NDArray[np.float64]
Rng = np.random.Generator

RATE = 100.0  # Hz of the physics
LINE_DELAY = 0.028  # s, mean delay of a reading on the line

CLASSES = (
    "quiet",
    "white noise",
    "breathing",
    "strong breathing",
    "breath held",
    "footsteps",
    "draught",
    "ramp, breathing",
    "creep",
    "touched",
    "poor line",
    "all mixed",
)


@dataclass(frozen=True)
class Disturbances:
    """What is wrong with the bench, amplitudes in digits, times in s."""

    sensor: float = 1.0  # rms of the filtered sensor noise
    breathing: float = 0.0
    held: bool = False
    footsteps: float = 0.0
    vibration: float = 0.0
    draught: float = 0.0  # rms between 0.02 and 2 Hz
    drift: float = 0.0  # digits/s
    creep: float = 0.0
    creep_time: float = 10.0
    touch: float = 0.0
    poor_line: bool = False


@dataclass(frozen=True)
class Stream:
    """One recorded stream and its truth. ``arrival`` and ``sampled`` (s), ``reading`` (mg), shape (n,)."""

    name: str
    digit: float
    target: float
    rate: float
    arrival: Floats
    sampled: Floats
    reading: Floats
    hand: float  # the hand comes
    released: float  # the sample is let go
    load: float
    drift: float
    creep: tuple[float, float]
    touches: tuple[tuple[float, float], ...]
    inside: dict[str, Any] = field(repr=False, default_factory=dict)  # what only the bound may know

    def level(self, time: float) -> float:
        """The true level (mg) at an arrival time after the release."""
        t = time - LINE_DELAY
        value = self.load + self.drift * t
        value -= self.creep[0] * np.exp(-max(t - self.released, 0.0) / self.creep[1])
        return float(value + sum(size for at, size in self.touches if t >= at))


def logarithmic(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def sign(rng: Rng) -> int:
    return int(rng.choice([-1, 1]))


def disturbances(rng: Rng, name: str) -> Disturbances:
    """Draw the disturbances of one class."""
    one = Disturbances(sensor=logarithmic(rng, 0.4, 2.5))
    coin = int(rng.integers(0, 2))
    L = logarithmic
    match name:
        case "quiet":
            return replace(one, sensor=L(rng, 0.02, 0.35))
        case "white noise":
            return replace(one, sensor=L(rng, 0.5, 6))
        case "breathing":
            return replace(one, breathing=L(rng, 1, 10))
        case "strong breathing":
            return replace(one, breathing=L(rng, 10, 50))
        case "breath held":
            return replace(one, breathing=L(rng, 5, 50), held=True)
        case "footsteps":
            return replace(
                one, footsteps=L(rng, 5, 200), vibration=rng.uniform(0, 10), breathing=coin * L(rng, 1, 5)
            )
        case "draught":
            return replace(one, draught=L(rng, 0.5, 4), breathing=coin * L(rng, 1, 5))
        case "ramp, breathing":
            return replace(one, drift=sign(rng) * L(rng, 0.003, 0.3), breathing=L(rng, 1, 30))
        case "creep":
            return replace(
                one,
                creep=sign(rng) * L(rng, 1, 30),
                creep_time=L(rng, 1, 60),
                breathing=coin * L(rng, 1, 10),
            )
        case "touched":
            return replace(one, breathing=L(rng, 1, 10), touch=sign(rng) * L(rng, 3, 300))
        case "poor line":
            return replace(one, breathing=L(rng, 1, 20), poor_line=True)
        case "all mixed":
            return replace(
                one,
                breathing=L(rng, 1, 30),
                draught=L(rng, 0.1, 1.5),
                footsteps=coin * L(rng, 5, 80),
                drift=sign(rng) * L(rng, 0.001, 0.05),
                creep=sign(rng) * L(rng, 0.5, 8),
                creep_time=L(rng, 1, 20),
                held=bool(rng.uniform() < 0.3),
                poor_line=bool(rng.uniform() < 0.5),
            )
    raise ValueError(f"no class of streams named {name!r}")


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


def draught(rng: Rng, n: int, sd: float, alpha: float) -> tuple[Floats, Floats]:
    """1/f^alpha noise, flat below 1/60 Hz and falling above 5 Hz, and its autocovariance."""
    N = 1 << int(np.ceil(np.log2(n * 2)))
    f = np.fft.rfftfreq(N, 1 / RATE)
    S = 1 / np.maximum(f, 1 / 60) ** alpha / (1 + (f / 5.0) ** 2)
    S[0] = 0
    band = (f >= 0.02) & (f <= 2.0)
    S *= sd**2 / (S[band].sum() * f[1])
    z = (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) * np.sqrt(S * f[1] / 2)
    return np.fft.irfft(z, N)[:n] * N, np.fft.irfft(S * f[1], N) * N / 2


def make(
    rng: Rng,
    name: str,
    after: float = 60.0,
    recorded: Callable[[Rng, int], Floats] | None = None,
    kind: Disturbances | None = None,
) -> Stream:
    """One stream of the class ``name``: before, the hand, the release and ``after`` s of it.

    ``recorded(rng, n)`` gives a real disturbance in digits at RATE to lay over it; ``kind`` takes the
    place of drawing from the class.
    """
    digit = float(rng.choice([0.1, 1.0, 10.0]))
    rate = float(rng.choice([5.0, 10.0, 20.0], p=[0.25, 0.5, 0.25]))
    target = digit * float(rng.choice([0.5, 1.0, 2.0]))
    hand = rng.uniform(4, 10) if rng.uniform() < 0.3 else rng.uniform(15, 45)
    released = round((hand + rng.uniform(0.4, 2.0)) * RATE) / RATE
    end = released + after
    n = int(end * RATE) + 1
    t = np.arange(n) / RATE
    loop_frequency, damping = rng.uniform(2, 6), rng.uniform(0.5, 1.0)
    moving_average = bool(rng.integers(0, 2))
    lag = rng.uniform(0.1, 0.8) if moving_average else rng.uniform(0.05, 0.22)
    load = digit * logarithmic(rng, 1e2, 1e5) * sign(rng)
    one = kind if kind is not None else disturbances(rng, name)
    i, h = round(released * RATE), round(hand * RATE)

    force = np.zeros(n)
    force[h:i] = np.repeat(rng.uniform(-0.3, 1.2, (i - h) // 20 + 1), 20)[: i - h] * load
    force[i:] = load - one.creep * digit * np.exp(-(t[i:] - released) / one.creep_time)
    force += one.drift * digit * t
    touches: tuple[tuple[float, float], ...] = ()
    if one.touch:
        at, size = released + rng.uniform(0.5, 12), digit * one.touch
        touches = ((at, size),)
        j = int(at * RATE)
        force[j:] += size
        k = np.arange(min(int(0.4 * RATE), n - j))
        force[j : j + len(k)] += size * 2 * rng.standard_normal() * np.sin(np.pi * k / len(k))
    law, gate, autocovariance = None, np.ones(n), None
    if one.breathing:
        wave, law = breathing(rng, n, one.breathing * digit, rng.uniform(0.16, 0.48))
        gate = held_breath(rng, n) if one.held else gate
        force += wave * gate
    if one.draught:
        wind, autocovariance = draught(rng, n, one.draught * digit, rng.uniform(0.8, 1.6))
        force += wind
    if one.footsteps:
        force += footsteps(rng, n, one.footsteps * digit)
    if one.vibration:
        force += one.vibration * digit * np.sin(2 * np.pi * rng.uniform(7, 30) * t + rng.uniform(0, 6))
    if recorded is not None:
        force += recorded(rng, n) * digit

    w = 2 * np.pi * loop_frequency
    b, a = bilinear([w * w], [1, 2 * damping * w, w * w], RATE)
    if moving_average:
        kernel = np.ones(max(1, round(lag * RATE)))
    else:
        k = np.arange(int(8 * lag * RATE) + 1) / RATE
        kernel = (k + 0.5 / RATE) * np.exp(-k / lag)
    kernel = kernel / kernel.sum()
    shown = lfilter(b, a, force)
    shown += rng.standard_normal(n) * one.sensor * digit / np.sqrt(np.sum(kernel**2))
    shown = lfilter(kernel, [1.0], shown)
    sampled = np.arange(rng.uniform(0, 1 / rate), end - 0.02, 1 / rate) * (1 + rng.uniform(-1e-3, 1e-3))
    sampled = sampled[sampled < end - 0.01]
    reading = np.interp(sampled, t, shown)
    delay = 0.02 + rng.exponential(0.008, len(sampled))
    kept = np.ones(len(sampled), bool)
    if one.poor_line:
        kept &= rng.uniform(size=len(sampled)) > rng.uniform(0, 0.06)
        for _ in range(rng.poisson(1.0)):
            s = rng.uniform(0, end)
            kept &= ~((sampled > s) & (sampled < s + rng.uniform(0.3, 1.5)))
        wrong = rng.uniform(size=len(sampled)) < rng.uniform(0, 0.02)
        size = np.exp(rng.uniform(np.log(8), np.log(1e4), len(sampled)))
        reading = reading + wrong * digit * size * rng.choice([-1, 1], len(sampled))
        delay += (rng.uniform(size=len(sampled)) < 0.01) * rng.uniform(0.05, 0.4, len(sampled))
    arrival = np.maximum.accumulate(sampled + delay + 1e-4 * np.arange(len(sampled)) / len(sampled))
    step = lfilter(kernel, [1.0], lfilter(b, a, np.ones(n)))
    inside = {
        "kernel": kernel,
        "step": step,
        "sensor": one.sensor * digit,
        "law": law,
        "gate": gate,
        "autocovariance": autocovariance,
        "index": np.minimum((sampled * RATE).astype(int), n - 1)[kept],
        "disturbances": one,
    }
    return Stream(
        name=name,
        digit=digit,
        target=target,
        rate=rate,
        arrival=arrival[kept],
        sampled=sampled[kept],
        reading=(digit * np.round(reading / digit))[kept],
        hand=hand,
        released=released,
        load=load,
        drift=one.drift * digit,
        creep=(one.creep * digit, one.creep_time),
        touches=touches,
        inside=inside,
    )


def stream(seed: int, name: str, number: int, **options: Any) -> Stream:
    """The stream ``number`` of a class under a seed; always the same one."""
    return make(np.random.default_rng([seed, CLASSES.index(name), number]), name, **options)
