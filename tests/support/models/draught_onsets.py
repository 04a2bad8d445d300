"""A bench of a lift run on which a draught begins: readings of one load after another, as a run takes them.

Two makers of such benches that share nothing: ``twin`` is the twin's own disturbances and balance, stepped;
``gusts`` is the 1/f^a noise of ``bench_disturbances`` under an envelope that rises in seconds and swells and
fades, with a steady push, through the balance of ``streams``. Masses in mg, times in s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import bilinear, lfilter

from weighloop.drivers.twin.balance import BalanceMaker, BalanceTwin
from weighloop.drivers.twin.disturbances import DisturbanceLevels, Disturbances, Draught, Normals

from . import bench_disturbances as bench
from .bench_disturbances import RATE, Floats

MAKERS = ("twin", "gusts")
TWIN_RATE = 50.0  # Hz of the twin's physics
MOVE = 4.0  # s that the lift takes from one load to the next
READINGS = 10.0  # a second


@dataclass(frozen=True)
class Sitting:
    """What a balance would show with nothing moved, and what a move of one mg adds to it.

    ``shown`` (n,) mg before rounding and ``drift`` (n,) mg at READINGS a second; ``response`` (m,) to a load
    that goes from 0 to 1 within MOVE s, beginning now; ``onset`` when the draught begins.
    """

    shown: Floats
    drift: Floats
    response: Floats
    onset: float


def sitting(maker: str, seed: int, number: int, seconds: float, onset: float) -> Sitting:
    """The same ones always; a draught of 2 to 5 mg from ``onset`` on (inf: none)."""
    rng = np.random.default_rng([seed, MAKERS.index(maker), number])
    return (_twin if maker == "twin" else _gusts)(rng, seconds, onset)


def _ramp(rate: float) -> Floats:
    s = np.clip(np.arange(int((MOVE + 30) * rate)) / rate / MOVE, 0, 1)
    return s * s * (3 - 2 * s)


def _twin(rng: np.random.Generator, seconds: float, onset: float) -> Sitting:
    weigh, disturb, air = np.random.SeedSequence(int(rng.integers(2**31))).spawn(3)
    dt = 1 / TWIN_RATE
    levels = DisturbanceLevels(0.002, 0.25, 0.015, 90.0, 0.0006, 0.00002, 0.004, 6.0)
    room, balance = Disturbances(disturb, dt, levels), BalanceTwin(BalanceMaker(), weigh, dt)
    level = float(rng.uniform(0.002, 0.005))
    every = round(TWIN_RATE / READINGS)
    shown, drift = [], []
    for k in range(int(seconds * TWIN_RATE)):
        if k == round(min(onset, 1e6) * TWIN_RATE):
            room.draught = Draught(Normals(air), dt, level)
        balance.step(room.step())
        if k % every == 0:
            shown.append(balance.gross * 1e3)
            drift.append(room.drift.value * 1e3)
    still = BalanceTwin(BalanceMaker(noise=0.0), weigh, dt)
    response = []
    for k, load in enumerate(_ramp(TWIN_RATE)):
        still.step(float(load))
        if k % every == 0:
            response.append(still.gross)
    return Sitting(np.array(shown), np.array(drift), np.array(response), onset)


def _gusts(rng: np.random.Generator, seconds: float, onset: float) -> Sitting:
    n = int(seconds * RATE)
    t = np.arange(n) / RATE
    force, _ = bench.breathing(rng, n, bench.logarithmic(rng, 0.5, 4), rng.uniform(0.2, 0.4))
    if rng.uniform() < 0.5:
        force = 0.0 * force
    drift = rng.uniform(-0.01, 0.01) * t
    usual, _ = bench.draught(rng, n, rng.uniform(0.1, 0.5), rng.uniform(0.8, 1.6))
    wind, _ = bench.draught(rng, n, rng.uniform(2, 5), rng.uniform(0.8, 1.6))
    rise = np.clip((t - onset) / bench.logarithmic(rng, 0.3, 6), 0, 1)
    swell = np.exp(bench.wandering(rng, n, rng.uniform(2, 10), 0.5))
    push = rng.uniform(-2, 2) * rise
    force += drift + usual + rise * swell * wind + push * swell
    w, damping = 2 * np.pi * rng.uniform(2, 6), rng.uniform(0.5, 1.0)
    b, a = bilinear([w * w], [1, 2 * damping * w, w * w], RATE)
    kernel = np.ones(round(rng.uniform(0.1, 0.8) * RATE))
    kernel /= kernel.sum()
    every = round(RATE / READINGS)

    def shows(load: Floats, noise: float) -> Floats:
        out = lfilter(b, a, load) + rng.standard_normal(len(load)) * noise / np.sqrt(np.sum(kernel**2))
        return lfilter(kernel, [1.0], out)[::every]

    return Sitting(shows(force, rng.uniform(0.2, 1.0)), drift[::every], shows(_ramp(RATE), 0.0), onset)
