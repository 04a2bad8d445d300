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
    STEP,
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
    slopes: list[tuple[float, float, float]] = []  # slope, its variance from white noise, length
    creeps: list[float] = []
    thirds: list[float] = []  # variance of means over three seconds
    sizes: list[tuple[float, float]] = []
    stood = 0.0
    edges = 0
    means = [(second_means(time, reading), handled) for time, reading, handled in stretches]
    means = [(b, handled) for b, handled in means if len(b) >= SHORTEST]
    if not means:
        return None
    seconds = float(sum(len(b) for b, _ in means))
    at_rest = [b[int(HANDS_OFF) if handled else 0 :] for b, handled in means]
    limit = _jump_limit(at_rest, resolution)
    for (b, handled), rested in zip(means, at_rest, strict=True):
        offset = _jumped(rested, limit)
        level = rested - offset
        steps = int(np.count_nonzero(np.diff(offset)))
        edges += steps
        there = np.abs(offset) > 0
        if there.any():
            # of two levels, both cut off by the ends of the stretch, either may be the one that goes back
            stands = len(rested) / 2 if steps == 1 else float(there.sum())
            stood += stands
            sizes.append((stands, float(np.mean(offset[there] ** 2))))
        t = np.arange(len(level)) - (len(level) - 1) / 2
        slope = float(t @ level / (t @ t))
        rest = level - level.mean() - slope * t
        got, held, white = _band_power(rest)
        slopes.append((slope, white * len(rest) / 2 / float(t @ t), float(len(rest))))
        power += got * len(rest)
        weight += held * len(rest)
        if handled:
            thirds.append(float(np.var(rest[: len(rest) // 3 * 3].reshape(-1, 3).mean(axis=1))))
            creeps.append(float(b[2:5].mean() - b[-30:].mean()))
    wander = np.maximum(np.divide(power, weight, out=np.zeros_like(power), where=weight > 0), 0.0)
    # a band no stretch was long enough for goes on as the two above it: flat or growing, as 1/f noise does
    for k in range(len(wander) - 3, -1, -1):
        if weight[k] == 0:
            wander[k] = wander[k + 1] * min(wander[k + 1] / max(wander[k + 2], 1e-300), STEEPEST)
    slope, by_white, length = np.array(slopes).T
    if weight[0] == 0 and len(slope) > 1:
        # what is slower than a stretch is long tilts it, each another way; a drift tilts all alike
        leans, tilt = float(np.var(slope, ddof=1)), (2 * math.pi) ** 2 * BANDS[0] * BANDS[1]
        if leans > _by_chance(len(slope) - 1) * (by_white.mean() + tilt * wander[0]):
            wander[0] = (leans - by_white.mean()) / tilt
    wander = np.sqrt(wander)
    total = sum(s for s, _ in sizes)
    size = math.sqrt(sum(s * v for s, v in sizes) / total) if total else 0.0
    slow = float(np.sum(wander**2))
    drift = math.sqrt(float(np.average(np.square(slope), weights=length)))
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
        drift=drift,
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


def _by_chance(freedom: int) -> float:
    """How many times the expected a variance of that many degrees of freedom is by chance in one case of a
    hundred (chi-squared after Wilson and Hilferty 1931)."""
    third = 2 / (9 * freedom)
    return (1 - third + 2.326 * math.sqrt(third)) ** 3


def _changes(b: Floats) -> tuple[Floats, float]:
    """Differences of means after and before a second, each long enough that no breath is left in it, less
    those of a drift; and that, a second."""
    taper = np.hanning(2 * SIDE + 1)[1:]
    if len(b) < 2 * len(taper):
        return np.empty(0), 0.0
    smooth = np.asarray(np.convolve(b, taper / taper.sum(), mode="valid"), float)
    change = smooth[2 * SIDE :] - smooth[: -2 * SIDE]
    drift = float(np.median(change))
    return change - drift, drift / (2 * SIDE)


def _jump_limit(at_rest: list[Floats], resolution: float) -> float:
    """From which change on a step has come or gone: well above those in the calmest quarter of the time, for
    air that switches is rough while it blows; 0.3186 is that quantile of a normal law's."""
    size = np.abs(np.concatenate([_changes(b)[0] for b in at_rest]))
    usual = float(np.quantile(size, 0.25)) / 0.3186 if len(size) else 0.0
    return max(JUMP * usual, 1.5 * resolution)


def _jumped(b: Floats, limit: float) -> Floats:
    """How far off its base each second is where steps come and go."""
    change, drift = _changes(b)
    size = np.abs(change)
    jumps: list[int] = []
    while len(size) and size.max() > limit:
        k = int(size.argmax())
        jumps.append(k + 2 * SIDE)
        size[max(k - 2 * SIDE, 0) : k + 2 * SIDE + 1] = 0
    if not jumps:
        return np.zeros(len(b))
    jumps.sort()
    pieces = np.split(b - drift * np.arange(len(b)), jumps)
    levels = np.array([np.median(p) for p in pieces])
    lengths = np.array([len(p) for p in pieces])
    order = np.argsort(levels)
    base = levels[order][int(np.searchsorted(np.cumsum(lengths[order]), lengths.sum() / 2))]
    off = np.where(np.abs(levels - base) > STEP * limit, levels - base, 0.0)
    return np.repeat(off, lengths)


def _band_power(rest: Floats) -> tuple[Floats, Floats, float]:
    """Variance in each band, whether the stretch is long enough to have it (1 or 0), and the variance of each
    line of what is white."""
    n = len(rest)
    w = np.hanning(n + 1)[:n]
    spectrum = np.abs(np.fft.rfft(rest * w)) ** 2 * 2 / (n * (w @ w))
    f = np.fft.rfftfreq(n)
    # What is as strong beyond the last band is white: the filter sees it within a second or two. A quarter of
    # the lines of white noise lie below 0.288 of their mean (exponential law of a periodogram).
    floor = float(np.quantile(spectrum[f >= BANDS[-1]], 0.25)) / 0.288
    lines = [(f >= a) & (f < b) & (f > 0) for a, b in itertools.pairwise(BANDS)]
    got = np.array([spectrum[line].sum() - floor * line.sum() for line in lines])
    return got, np.array([float(n * b >= 2.0) for b in BANDS[1:]]), floor
