"""What no settling filter can know: what stands on a bench just met, and what the last digit hides.

``python -m tests.benchmarks.settling_limits [--streams N] [--seed S]``; needs no filter.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.benchmarks.settling import stood
from tests.support.models.streams import RATE, Floats, stream

LAG = 0.3  # s, of a balance's moving average
LEVELS = 40_000


def without_a_sign(seed: int, count: int, seconds: float = 3.0) -> str:
    """How many loads are put down while more than five targets stand on the bench for ``seconds`` after:
    nobody who has just met the bench can tell them from the load, and at no sign before not even suspect it.
    """
    lines = [
        f"{count} streams a class, seed {seed}; above five targets for {seconds:g} s from the release on"
    ]
    for name in ("leaning", "building", "switching"):
        streams = [stream(seed, name, k) for k in range(count)]
        beyond = [abs(s.inside["comes and goes"][round(s.released * RATE)]) > 5 * s.target for s in streams]
        stand = [stood(s, seconds) for s, far in zip(streams, beyond, strict=True) if far]
        lines.append(
            f"{name:16s} {sum(a for a, _ in stand) / count:6.1%}, without a change before the hand "
            f"{sum(b for _, b in stand) / count:6.1%}"
        )
    return "\n".join(lines)


def hidden(
    rng: np.random.Generator, noise: float | Floats, rate: float, seconds: float = 1.0
) -> tuple[float, float]:
    """Of LEVELS levels anywhere in a digit, read for ``seconds`` under sensor noise (digits) that is known,
    or whose law is known (draws of it, (LEVELS, 1)): the rms error of the best estimate from the mean of the
    readings, and how often its 95 % interval holds."""
    count, lag, n = LEVELS, round(LAG * RATE), round(seconds * RATE)
    level = rng.uniform(-0.5, 0.5, count)
    steps = np.cumsum(rng.standard_normal((count, n + lag), np.float32), axis=1)
    smooth: Floats = (steps[:, lag:] - steps[:, :-lag]) * noise / np.sqrt(lag)
    readings = np.round(level[:, None] + smooth[:, :: round(RATE / rate)])
    total = readings.sum(axis=1).astype(int)
    squares = held = 0.0
    for shown in np.unique(total):
        error = level[total == shown] - level[total == shown].mean()
        squares += float(error @ error)
        held += float(np.sum(np.abs(error) <= 1.96 * error.std()))
    return float(np.sqrt(squares / count)), held / count


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=400, help="of each class")
    parser.add_argument("--seed", type=int, default=43)
    options = parser.parse_args()
    print(without_a_sign(options.seed, options.streams))
    rng = np.random.default_rng(options.seed)
    print("what the digit hides of a level read for a second, by one who is told the sensor noise:")
    for noise in (0.02, 0.05, 0.1, 0.2, 0.35):
        rms, held = np.mean([hidden(rng, noise, rate) for rate in (5.0, 10.0, 20.0)], axis=0)
        print(f"noise {noise:4.2f} digits: rms error {rms:.3f} digits, 95 % interval holds {held:.1%}")
    law = np.exp(rng.uniform(np.log(0.02), np.log(0.35), (LEVELS, 1)))
    rms, held = np.mean([hidden(rng, law, rate) for rate in (5.0, 10.0, 20.0)], axis=0)
    print(f"told only that it lies between 0.02 and 0.35: rms error {rms:.3f}, interval holds {held:.1%}")


if __name__ == "__main__":
    main()
