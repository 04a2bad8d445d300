"""What a bench's own past says of its slow noise: wander, jumps, drift, and creep after handling.

A few seconds of readings cannot show what takes minutes. Readings at rest from earlier can: between two
handlings the load is constant, so whatever the reading does there is the bench. Only numpy; seconds of
readings cost milliseconds.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from ..records.arrays import Floats
from .settings import (
    BANDS,
    CREEP_PRIOR,
    DRIFT_KNOWN,
    DRIFT_PRIOR,
    HANDS_OFF,
    JUMP,
    KEPT,
    LEAST_CREEP,
    LEAST_DRIFT,
    SHORTEST,
    SIDE,
    STEEPEST,
)


@dataclass(frozen=True)
class BenchPast:
    """Statistics of a bench at rest. Masses in kg, times in s.

    ``wander`` is the standard deviation in each of ``BANDS``; ``jump_size`` the rms size of the steps that
    came and went, ``jump_share`` the share of the time they stood and ``jump_stay`` for how long each;
    ``drift`` the rms slope (kg/s); ``creep`` the rms change from just after a handling to a minute later.
    ``seconds`` is from how long this is known, ``handlings`` from how many handlings.
    """

    seconds: float
    wander: tuple[float, ...]
    jumps: int
    jump_size: float
    jump_share: float
    jump_stay: float
    drift: float
    creep: float
    handlings: int

    def to_dict(self) -> dict[str, Any]:
        """For JSON; ``from_dict`` reads it back."""
        return asdict(self)

    def joined(self, earlier: BenchPast | None) -> BenchPast:
        """With what was known before: each by how long it was watched, the earlier fading over KEPT s."""
        if earlier is None:
            return self
        old = min(earlier.seconds, KEPT)
        share = self.seconds / (self.seconds + old)

        def mean(new: float, before: float) -> float:
            return share * new + (1 - share) * before

        def rms(new: float, before: float) -> float:
            return math.sqrt(mean(new**2, before**2))

        stood, before = self.jump_share * self.seconds, earlier.jump_share * old
        by_time = stood / (stood + before) if stood + before > 0 else 0.0
        size = by_time * self.jump_size**2 + (1 - by_time) * earlier.jump_size**2
        handled = self.handlings / max(self.handlings + earlier.handlings, 1)
        creep = handled * self.creep**2 + (1 - handled) * earlier.creep**2
        return BenchPast(
            seconds=self.seconds + old,
            wander=tuple(rms(a, b) for a, b in zip(self.wander, earlier.wander, strict=True)),
            jumps=self.jumps + round(earlier.jumps * old / earlier.seconds),
            jump_size=math.sqrt(size),
            jump_share=mean(self.jump_share, earlier.jump_share),
            jump_stay=by_time * self.jump_stay + (1 - by_time) * earlier.jump_stay,
            drift=rms(self.drift, earlier.drift),
            creep=math.sqrt(creep),
            handlings=self.handlings + earlier.handlings,
        )

    def words(self) -> str:
        """What it says, for people."""
        slow = math.sqrt(sum(w**2 for w in self.wander)) * 1e6
        said = [f"slow noise {slow:.2g} mg, drift {self.drift * 60e6:.2g} mg a minute"]
        if self.jumps:
            said.append(
                f"levels jump {self.jumps / 2 / self.seconds * 3600:.2g} times an hour by "
                f"{self.jump_size * 1e6:.2g} mg for {self.jump_stay:.0f} s (someone leaning on the table, "
                "a lift, air conditioning)"
            )
        else:
            said.append("no jumps")
        if self.handlings:
            said.append(f"after handling the reading creeps by {self.creep * 1e6:.2g} mg")
        return f"in {self.seconds / 60:.0f} min at rest: " + "; ".join(said)

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any] | None) -> BenchPast | None:
        """Read what ``to_dict`` wrote; None where it is not one (of an older program, say)."""
        try:
            values = {f.name: stored[f.name] for f in fields(cls)} if stored else None
            if values is None:
                return None
            values["wander"] = tuple(float(v) for v in values["wander"])
            numbers = [v for k, v in values.items() if k != "wander"] + list(values["wander"])
            good = len(values["wander"]) == len(BANDS) - 1 and all(
                math.isfinite(v) and v >= 0 for v in numbers
            )
            return cls(**values) if good else None
        except (KeyError, TypeError, ValueError):
            return None


def moves_beforehand(past: BenchPast | None, resolution: float, target: float) -> tuple[float, float]:
    """Drift (resolutions a second) and creep (resolutions) to reckon with before a level is seen, of a bench
    not known or of one with a ``past``; ``target`` in resolutions."""
    if past is None:
        return DRIFT_PRIOR, CREEP_PRIOR
    drift, creep = DRIFT_KNOWN * past.drift / resolution, past.creep / resolution
    return (
        min(max(drift, LEAST_DRIFT), DRIFT_PRIOR),
        min(max(creep, LEAST_CREEP), max(CREEP_PRIOR, target)),
    )


def learn_past(stretches: Iterable[tuple[Floats, Floats, bool]], resolution: float) -> BenchPast | None:
    """Learn from ``stretches`` of readings during which nobody handled the bench: time (n,) s, reading (n,)
    kg, and whether it begins with the end of a handling. None if they are too short to say anything."""
    power = np.zeros(len(BANDS) - 1)
    weight = np.zeros(len(BANDS) - 1)
    slopes: list[tuple[float, float]] = []
    creeps: list[float] = []
    thirds: list[float] = []  # variance of means over three seconds
    sizes: list[tuple[float, float]] = []
    seconds = stood = 0.0
    edges = 0
    for time, reading, handled in stretches:
        b = second_means(time, reading)
        if len(b) < SHORTEST:
            continue
        seconds += len(b)
        first = int(HANDS_OFF) if handled else 0
        level, jumps = _without_jumps(b[first:], resolution)
        edges += len(jumps)
        offset = b[first:] - level
        there = np.abs(offset) > 0
        stood += float(there.sum())
        sizes += [(float(there.sum()), float(np.mean(offset[there] ** 2)))] if there.any() else []
        t = np.arange(len(level)) - (len(level) - 1) / 2
        slope = float(t @ level / (t @ t))
        slopes.append((slope, float(len(level))))
        rest = level - level.mean() - slope * t
        got, held = _band_power(rest)
        power += got * len(rest)
        weight += held * len(rest)
        if handled:
            thirds.append(float(np.var(rest[: len(rest) // 3 * 3].reshape(-1, 3).mean(axis=1))))
            creeps.append(float(b[2:5].mean() - b[-30:].mean()))
    if not seconds:
        return None
    wander = np.maximum(np.divide(power, weight, out=np.zeros_like(power), where=weight > 0), 0.0)
    # a band no stretch was long enough for goes on as the two above it: flat or growing, as 1/f noise does
    for k in range(len(wander) - 3, -1, -1):
        if weight[k] == 0:
            wander[k] = wander[k + 1] * min(wander[k + 1] / max(wander[k + 2], 1e-300), STEEPEST)
    wander = np.sqrt(wander)
    total = sum(s for s, _ in sizes)
    size = math.sqrt(sum(s * v for s, v in sizes) / total) if total else 0.0
    slow = float(np.sum(wander**2))
    length = np.array([n for _, n in slopes])
    slope = math.sqrt(float(np.average(np.square([s for s, _ in slopes]), weights=length)))
    # by the median, for a slip of the hand after some of the handlings is no creep
    creep = float(np.median(np.abs(creeps)) / 0.6745) ** 2 if creeps else 0.0
    creep = max(creep - 2 * slow - (float(np.mean(thirds)) if thirds else 0.0), 0.0)
    return BenchPast(
        seconds=seconds,
        wander=tuple(float(v) for v in wander),
        jumps=edges,
        jump_size=size,
        jump_share=stood / seconds,
        jump_stay=stood / max(edges / 2, 0.5),
        drift=slope,
        creep=math.sqrt(creep),
        handlings=len(creeps),
    )


def second_means(time: Floats, reading: Floats) -> Floats:
    """Means over whole seconds of the readings that are numbers; seconds without one are interpolated."""
    good = np.isfinite(time) & np.isfinite(reading)
    time, reading = time[good], reading[good]
    if len(time) < SHORTEST / 2:
        return np.empty(0)
    reading = _without_outliers(reading)
    second = np.maximum.accumulate(np.floor(time - time[0]).astype(int))
    count = np.bincount(second)
    base = float(np.median(reading))
    total = np.bincount(second, reading - base)
    have = np.flatnonzero(count)
    return np.interp(np.arange(len(count)), have, total[have] / count[have])


def _without_outliers(reading: Floats) -> Floats:
    """Readings far off the median of the five around them are replaced by it (Hampel 1974)."""
    around = np.lib.stride_tricks.sliding_window_view(np.pad(reading, 2, mode="edge"), 5)
    middle = np.median(around, axis=1)
    off = np.abs(reading - middle)
    usual = float(np.quantile(off, 0.9)) / 1.645
    return np.where(off > 8 * max(usual, 1e-12), middle, reading)


def _without_jumps(b: Floats, resolution: float) -> tuple[Floats, list[int]]:
    """The readings by the second with steps that come and go taken out, and the moments of all steps."""
    n = len(b)
    if n < 2 * SIDE + 4:
        return b, []
    windows = np.lib.stride_tricks.sliding_window_view(b, SIDE)
    middle = np.median(windows, axis=1)
    at = np.arange(SIDE + 1, n - SIDE)
    difference = middle[at + 1] - middle[at - 1 - SIDE] if len(at) else np.empty(0)
    usual = 1.4826 * float(np.median(np.abs(difference - np.median(difference))))
    limit = max(JUMP * usual, 1.5 * resolution)
    jumps: list[int] = []
    size = np.abs(difference)
    while len(size) and size.max() > limit:
        k = int(size.argmax())
        jumps.append(int(at[k]))
        size[max(k - SIDE, 0) : k + SIDE + 1] = 0
    if not jumps:
        return b, []
    jumps.sort()
    pieces = np.split(b, jumps)
    levels = np.array([np.median(p) for p in pieces])
    lengths = np.array([len(p) for p in pieces])
    order = np.argsort(levels)
    base = levels[order][int(np.searchsorted(np.cumsum(lengths[order]), lengths.sum() / 2))]
    offset = np.concatenate(
        [
            np.full(m, v - base if abs(v - base) > limit / 2 else 0.0)
            for v, m in zip(levels, lengths, strict=True)
        ]
    )
    return b - offset, jumps


def _band_power(rest: Floats) -> tuple[Floats, Floats]:
    """Variance in each band, and whether the stretch is long enough to have it (1 or 0)."""
    n = len(rest)
    w = np.hanning(n + 1)[:n]
    spectrum = np.abs(np.fft.rfft(rest * w)) ** 2 * 2 / (n * (w @ w))
    f = np.fft.rfftfreq(n)
    # What is as strong beyond the last band is white: the filter sees it within a second or two. A quarter of
    # the lines of white noise lie below 0.288 of their mean (exponential law of a periodogram).
    floor = float(np.quantile(spectrum[f >= BANDS[-1]], 0.25)) / 0.288
    lines = [(f >= a) & (f < b) & (f > 0) for a, b in itertools.pairwise(BANDS)]
    got = np.array([spectrum[line].sum() - floor * line.sum() for line in lines])
    return got, np.array([float(n * b >= 2.0) for b in BANDS[1:]])
