"""Loops whose balance's zero drifts and jumps: with zeros by hand, and without a hand at the sample.

The forces are ``loops.changes``, in the second bench's field. The zero is a steady drift, a random walk and
jumps, of this page's own: nothing here knows how the analysis follows it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tests.support.models.loops import TanhLoop, True_, changes, readings_of, reclaimed_bench
from weighloop.analysis.records.bench import Bench, Turner
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.units import Measured

How = Literal["by hand", "turner", "lift"]
#: Seconds a reading takes, and a turn: by a turner, by hand with the sample taken off and put back.
EACH, BY_TURNER, BY_HAND = 16.0, 8.0, 60.0
GAPS = np.geomspace(1e-3, 50e-3, 22)
#: Far gaps that are read besides without a turner, m.
FAR = 1e-3 + 49e-3 * np.array([0.8, 0.87, 0.93, 1.0])


def zero_bench(how: How) -> Bench:
    """The co-operative's bench with a lift, and with a turner whose eccentricity is 0 +/- 0.05 mm."""
    bench = reclaimed_bench()
    turner = Turner(45e-3, Measured(0.0, 0.05e-3)) if how == "turner" else None
    return replace(bench, gap=replace(bench.gap, spacer=None, spacers=None, turner=turner))


@dataclass(frozen=True)
class TrueZero:
    """The zero over time, kg: ``start``, ``rate`` (kg/s), ``walk`` (kg/sqrt(s), by ``seed``), ``jumps`` as
    (time in s, kg)."""

    start: float = 0.0
    rate: float = 0.0
    walk: float = 0.0
    jumps: tuple[tuple[float, float], ...] = ()
    seed: int = 0

    @classmethod
    def drawn(cls, rng: np.random.Generator, *, length: float = 2000.0) -> TrueZero:
        """Up to 20 mg an hour, a walk of up to 1 mg in a minute, in half the runs a jump of some 8 mg."""
        return cls(
            start=20e-6 * rng.standard_normal(),
            rate=20e-6 / 3600 * rng.uniform(-1, 1),
            walk=1e-6 / np.sqrt(60.0) * rng.uniform(0, 1),
            jumps=tuple(
                (rng.uniform(0, length), 8e-6 * rng.standard_normal()) for _ in range(rng.integers(0, 2))
            ),
            seed=int(rng.integers(2**31)),
        )

    def at(self, time: np.ndarray) -> np.ndarray:
        """The zero at rising times (n,)."""
        step = np.sqrt(np.maximum(np.diff(time, prepend=0.0), 0.0))
        wander = self.walk * np.cumsum(step * np.random.default_rng(self.seed).standard_normal(len(time)))
        jumped = sum((size * (time > at) for at, size in self.jumps), np.zeros(len(time)))
        return self.start + self.rate * time + wander + jumped


def path(how: How, gaps: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(gap, orientation, falling, time in s) of a loop's readings in the order taken."""
    inward, outward = gaps[::-1], gaps[1:]
    if how == "lift":
        outward = np.unique(np.append(outward, FAR))
    legs = [
        (1, inward, False),
        (1, outward, True),
        (-1, inward, True),
        (-1, outward, False),
        (1, inward, False),
    ]
    if how == "turner":
        legs = [(-1, gaps[-1:], False), *legs, (1, gaps[-1:], True), (-1, gaps[-1:], True)]
    elif how == "lift":
        legs.append((1, FAR, True))
    gap = np.concatenate([g for _, g, _ in legs])
    orientation = np.concatenate([np.full(len(g), o) for o, g, _ in legs])
    falling = np.concatenate([np.full(len(g), f) for _, g, f in legs])
    turned = np.diff(orientation, prepend=orientation[0]) != 0
    time = np.cumsum(EACH + np.where(turned, BY_TURNER if how == "turner" else BY_HAND, 0.0))
    return gap, orientation, falling, time


def loop_with_zero(
    how: How,
    zero: TrueZero,
    seed: int,
    *,
    material: TanhLoop | None = None,
    truth: True_ | None = None,
    gaps: np.ndarray = GAPS,
    noise: float = 2e-6,
    gap_error: float = 0.0,
    eccentricity: float = 0.0,
) -> Readings:
    """One run, readings with ``noise`` (kg) rounded to 1 mg. By hand the sample is off for a zero at the
    start, at each turn and at the end."""
    rng = np.random.default_rng(seed)
    gap, orientation, falling, _ = path(how, gaps)
    errors = gap_error * rng.standard_normal(len(gap))
    if how == "turner":
        errors = errors + orientation * eccentricity
    change = changes(material or TanhLoop(), gap, orientation, falling, truth=truth, gap_errors=errors)
    return with_zero(how, gaps, change, zero, rng, noise)


def true_levels(how: How, gaps: np.ndarray, zero: TrueZero) -> np.ndarray:
    """The zero (kg) at each reading of a loop, then at each moment at which the sample is off."""
    _, orientation, _, time = path(how, gaps)
    turns = np.flatnonzero(np.diff(orientation)) + 1
    # When the sample is off: one step before the start and after the end, halfway through a turn.
    off = np.concatenate([[time[0] - EACH], 0.5 * (time[turns - 1] + time[turns]), [time[-1] + EACH]])
    moments = np.concatenate([time, off])
    order = np.argsort(moments)
    level = np.empty(len(moments))
    level[order] = zero.at(moments[order])
    return level


def with_zero(
    how: How, gaps: np.ndarray, change: np.ndarray, zero: TrueZero, rng: np.random.Generator, noise: float
) -> Readings:
    """The readings of a loop whose sample changes them by ``change`` (n,), kg."""
    gap, orientation, _, time = path(how, gaps)
    turns = np.flatnonzero(np.diff(orientation)) + 1
    level = true_levels(how, gaps, zero)
    off = np.zeros(len(level) - len(gap))
    shown = np.round(
        level + noise * rng.standard_normal(len(level)) + np.append(change, np.zeros(len(off))), 6
    )
    reading, zeros = shown[: len(gap)], shown[len(gap) :]
    columns: dict[str, object] = {"time": time - time[0]}
    if how == "by hand":
        passage = np.searchsorted(turns, np.arange(len(gap)), side="right")
        columns |= {"zero_before": zeros[passage], "zero_after": zeros[passage + 1]}
    return readings_of(gap, orientation, reading, noise, **columns)
