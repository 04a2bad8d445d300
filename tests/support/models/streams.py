"""Seeded balance streams whose true level is known: what a bench does to a reading, in seeded classes.

Units are mg and s. Forces are made at 100 Hz, passed through the balance's closed loop (second order)
and its digital filter, sampled at the output rate, rounded to the digit, and delayed or lost on the
line. What disturbs a bench is in ``bench_disturbances``; what each class draws in ``stream_classes``.
Amplitudes are drawn log-uniformly in units of the digit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.signal import bilinear, lfilter

from . import bench_disturbances as bench
from .bench_disturbances import RATE, Floats, Rng, creep_left, logarithmic, sign
from .stream_classes import ALL_CLASSES, CLASSES, STRANGE_CLASSES, Disturbances, disturbances

__all__ = [
    "ALL_CLASSES",
    "CLASSES",
    "RATE",
    "STRANGE_CLASSES",
    "Disturbances",
    "Floats",
    "Stream",
    "logarithmic",
    "make",
    "stream",
]

LINE_DELAY = 0.028  # s, mean delay of a reading on the line


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
    released: float  # the sample is released
    load: float
    drift: float
    creep: tuple[float, float]
    touches: tuple[tuple[float, float], ...]
    creep_law: str = "exponential"
    inside: dict[str, Any] = field(repr=False, default_factory=dict)  # what only the bound may know

    def level(self, time: float) -> float:
        """The true level (mg) at an arrival time after the release."""
        t = time - LINE_DELAY
        value = self.load + self.drift * t
        value -= self.creep[0] * float(creep_left(self.creep_law, max(t - self.released, 0.0), self.creep[1]))
        return float(value + sum(size for at, size in self.touches if t >= at))


def make(
    rng: Rng,
    name: str,
    after: float = 60.0,
    recorded: Callable[[Rng, int], Floats] | None = None,
    kind: Disturbances | None = None,
    like: Stream | None = None,
) -> Stream:
    """One stream of the class ``name``: before, the hand, the release and ``after`` s of it.

    ``recorded(rng, n)`` gives a real disturbance in digits at RATE to lay over it; ``kind`` takes the
    place of drawing from the class; ``like`` is a stream of the same bench and balance at another time.
    """
    digit = float(rng.choice([0.1, 1.0, 10.0]))
    rate = float(rng.choice([5.0, 10.0, 20.0], p=[0.25, 0.5, 0.25]))
    targets = int(rng.choice(3))
    hand = rng.uniform(4, 10) if rng.uniform() < 0.3 else rng.uniform(15, 45)
    released = round((hand + rng.uniform(0.4, 2.0)) * RATE) / RATE
    end = released + after
    n = int(end * RATE) + 1
    t = np.arange(n) / RATE
    loop_frequency, damping = rng.uniform(2, 6), rng.uniform(0.5, 1.0)
    moving_average = bool(rng.integers(0, 2))
    lag = rng.uniform(0.1, 0.8) if moving_average else rng.uniform(0.05, 0.22)
    load = logarithmic(rng, 1e2, 1e5) * sign(rng)
    one = kind if kind is not None else disturbances(rng, name)
    if like is not None:
        one = like.inside["disturbances"]
        digit, rate, loop_frequency, damping, moving_average, lag = like.inside["balance"]
    else:
        digit, rate = one.digit or digit, one.rate or rate
        if one.filter_length is not None:  # of two poles: the time constant that passes as much noise
            lag = one.filter_length / (1 if moving_average else 4)
    load *= digit
    target = digit * one.targets[targets % len(one.targets)]
    i, h = round(released * RATE), round(hand * RATE)

    force = np.zeros(n)
    force[h:i] = np.repeat(rng.uniform(-0.3, 1.2, (i - h) // 20 + 1), 20)[: i - h] * load
    force[i:] = load - one.creep * digit * creep_left(one.creep_law, t[i:] - released, one.creep_time)
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
        wave, law = bench.breathing(rng, n, one.breathing * digit, rng.uniform(0.16, 0.48))
        gate = bench.held_breath(rng, n) if one.held else gate
        force += wave * gate
    if one.draught:
        wind, autocovariance = bench.draught(rng, n, one.draught * digit, rng.uniform(0.8, 1.6), one.slowest)
        force += wind
    if one.footsteps:
        force += bench.footsteps(rng, n, one.footsteps * digit)
    if one.vibration:
        force += one.vibration * digit * np.sin(2 * np.pi * rng.uniform(7, 30) * t + rng.uniform(0, 6))
    if one.beating:
        force += bench.beating(rng, n, one.beating * digit)
    comes_and_goes = np.zeros(n)
    for law_of, drawn in (
        (bench.leaning, one.leaning),
        (bench.building, one.building),
        (bench.switching, one.switching),
    ):
        if drawn is not None:
            comes_and_goes += law_of(rng, n, drawn[0] * digit, drawn[1], drawn[2])
    force += comes_and_goes
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
    if one.begun:
        kept &= sampled > rng.uniform(hand, released + 0.3)
    arrival = np.maximum.accumulate(sampled + delay + 1e-4 * np.arange(len(sampled)) / len(sampled))
    step = lfilter(kernel, [1.0], lfilter(b, a, np.ones(n)))
    inside = {
        "kernel": kernel,
        "step": step,
        "sensor": one.sensor * digit,
        "law": law,
        "gate": gate,
        "autocovariance": autocovariance,
        "comes and goes": comes_and_goes,
        "index": np.minimum((sampled * RATE).astype(int), n - 1)[kept],
        "disturbances": one,
        "balance": (digit, rate, loop_frequency, damping, moving_average, lag),
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
        creep_law=one.creep_law,
        inside=inside,
    )


def stream(seed: int, name: str, number: int, **options: Any) -> Stream:
    """The stream ``number`` of a class under a seed; always the same one."""
    return make(np.random.default_rng([seed, ALL_CLASSES.index(name), number]), name, **options)
