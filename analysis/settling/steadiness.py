"""How steady a balance is, and what would help: Allan deviation, spectrum, breathing line, a verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import NotPossible
from ..records.arrays import Floats
from .settings import BREATHING, DISTURBANCES, FEWEST_READINGS, FLAT, LINE, LONG_GAP, OUTLYING


@dataclass(frozen=True)
class Steadiness:
    """How steady the stream was. Masses in kg, times in s, frequencies in Hz.

    ``noise`` is the standard deviation about the straight drift; ``drift`` (kg/s) with its standard
    uncertainty ``u_drift`` (from the spectrum near zero, not from counting readings); ``breathing`` the
    line's frequency or None, ``breathing_amplitude`` its amplitude. ``tau`` and ``allan`` are the
    averaging times and overlapping Allan deviations, shape (k,); ``best_averaging`` the time at which
    averaging stops helping and ``best_noise`` what is left there. ``where`` names the band that holds
    most of the disturbance, ``shares`` each band's part of the variance. ``frequency`` and ``density``
    (kg^2/Hz) are the spectrum, shape (f,). ``verdict`` says it in words, ``advice`` what to try.
    """

    seconds: float
    readings: int
    interval: float
    noise: float
    drift: float
    u_drift: float
    breathing: float | None
    breathing_amplitude: float | None
    tau: Floats
    allan: Floats
    best_averaging: float
    best_noise: float
    where: str
    shares: dict[str, float]
    frequency: Floats
    density: Floats
    verdict: str
    advice: tuple[str, ...]

    @property
    def words(self) -> list[str]:
        """The verdict, then what to try."""
        return [self.verdict, *self.advice]

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for JSON, the unit in every key; None where there is no number."""
        return {
            "seconds": self.seconds,
            "readings": self.readings,
            "interval_s": self.interval,
            "noise_kg": self.noise,
            "drift_kg_per_s": self.drift,
            "u_drift_kg_per_s": self.u_drift,
            "breathing_Hz": self.breathing,
            "breathing_amplitude_kg": self.breathing_amplitude,
            "tau_s": self.tau.tolist(),
            "allan_kg": self.allan.tolist(),
            "best_averaging_s": self.best_averaging,
            "best_noise_kg": self.best_noise,
            "where": self.where,
            "shares": self.shares,
            "frequency_Hz": self.frequency.tolist(),
            "density_kg2_per_Hz": self.density.tolist(),
        }


def allan_deviation(values: Floats, interval: float, factors: NDArray[np.int64]) -> Floats:
    """Overlapping Allan deviation of evenly spaced averages ``values`` (n,) at ``factors`` (k,) times
    ``interval`` (s); same unit as ``values``, NaN where fewer than one difference is to be had.

    NIST SP 1065 (Riley 2008), 5.2.4: sigma^2(m) = mean over j of (mean of the m values from j+m
    - mean of the m values from j)^2 / 2. ``interval`` only checks that the spacing is a time.
    """
    if not interval > 0:
        raise ValueError(f"interval {interval!r} s; expected above zero")
    sums = np.concatenate(([0.0], np.cumsum(values - np.mean(values))))
    out = np.full(len(factors), np.nan)
    for k, m in enumerate(factors):
        m = int(m)
        if m < 1 or 2 * m > len(values):
            continue
        difference = (sums[2 * m :] - 2 * sums[m:-m] + sums[: -2 * m]) / m
        out[k] = np.sqrt(np.mean(difference**2) / 2)
    return out


def noise_spectrum(values: Floats, interval: float) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and one-sided density (unit^2/Hz) by Welch's method (1967), shapes (f,).

    Segments of up to 64 s, at least two where the stream allows, each freed of its straight line.
    """
    from scipy.signal import welch

    n = len(values)
    segment = min(n, max(FEWEST_READINGS, min(round(64 / interval), n // 2)))
    frequency, density = welch(values, 1 / interval, nperseg=segment, detrend="linear")
    return np.asarray(frequency, float), np.asarray(density, float)


def evenly(time: Floats, reading: Floats, resolution: float) -> tuple[Floats, Floats, float]:
    """The longest stretch without a gap, on an even grid: times, readings, interval (s).

    Readings that are no number, repeated or reversed times, and single readings far off their neighbours
    are left out first. NotPossible if fewer than FEWEST_READINGS readings remain.
    """
    good = np.isfinite(time) & np.isfinite(reading)
    t, y = time[good], reading[good]
    if len(t):
        ahead = np.concatenate(([True], t[1:] > np.maximum.accumulate(t)[:-1]))
        t, y = t[ahead], y[ahead]
    if len(t) < FEWEST_READINGS:
        raise NotPossible(
            f"{len(t)} usable readings; at least {FEWEST_READINGS} are needed, better 60 s of them"
        )
    kept = ~_outlying(y, resolution)
    t, y = t[kept], y[kept]
    interval = float(np.median(np.diff(t)))
    ends = np.concatenate(([0], np.flatnonzero(np.diff(t) > LONG_GAP * interval) + 1, [len(t)]))
    longest = int(np.argmax(np.diff(ends)))
    t, y = t[ends[longest] : ends[longest + 1]], y[ends[longest] : ends[longest + 1]]
    if len(t) < FEWEST_READINGS:
        raise NotPossible(
            f"the longest stretch without a gap has {len(t)} readings; at least {FEWEST_READINGS} are needed"
        )
    interval = float((t[-1] - t[0]) / max(round((t[-1] - t[0]) / interval), 1))
    grid = t[0] + interval * np.arange(round((t[-1] - t[0]) / interval) + 1)
    return grid, np.interp(grid, t, y), interval


def _outlying(y: Floats, resolution: float) -> NDArray[np.bool_]:
    """Single readings far off the running median of three (Hampel 1974, J. Am. Stat. Assoc. 69, 383)."""
    from scipy.ndimage import median_filter

    off = np.abs(y - median_filter(y, size=3, mode="nearest"))
    usual = float(np.quantile(off, 0.9)) / 1.645
    return off > OUTLYING * max(usual, resolution)


def breathing_line(frequency: Floats, density: Floats) -> tuple[float, float] | None:
    """Frequency (Hz) and amplitude of a line in the breathing band, or None.

    A line is a peak LINE times above the median of the spectrum within a factor of three of it,
    its own neighbourhood excluded.
    """
    band = np.flatnonzero((frequency >= BREATHING[0]) & (frequency <= BREATHING[1]))
    if len(band) < 3:
        return None
    peak = band[int(np.argmax(density[band]))]
    f = frequency[peak]
    step = frequency[1] - frequency[0]
    near = np.abs(frequency - f) <= max(1.5 * step, 0.15 * f)
    beside = (frequency > f / 3) & (frequency < 3 * f) & ~near
    if beside.sum() < 2 or density[peak] < LINE * np.median(density[beside]):
        return None
    power = max(float(np.sum(density[near] - np.median(density[beside])) * step), 0.0)
    centre = float(np.sum(frequency[near] * density[near]) / np.sum(density[near]))
    return centre, float(np.sqrt(2 * power))


def steadiness(time: Floats, reading: Floats, resolution: float) -> Steadiness:
    """Judge a stream of a balance at rest: ``time`` (n,) s, ``reading`` (n,) kg, ``resolution`` kg.

    NotPossible if there are too few readings. The load must not change meanwhile: a step counts as noise.
    """
    t, y, interval = evenly(np.asarray(time, float), np.asarray(reading, float), resolution)
    n = len(t)
    span = t - t.mean()
    slope = float(span @ y / (span @ span))
    rest = y - y.mean() - slope * span
    noise = float(np.sqrt(np.sum(rest**2) / (n - 2) + resolution**2 / 12 * (np.ptp(y) == 0)))
    factors = np.unique(np.round(2 ** np.arange(0, np.log2(n / 4) + 0.01, 0.5)).astype(np.int64))
    allan = allan_deviation(y, interval, factors)
    tau = factors.astype(np.float64) * interval
    # a balance's own filter makes neighbours alike: averaging starts to pay beyond the worst short time
    worst = int(np.argmax(allan * (tau <= max(1 / BREATHING[0], interval))))
    best = worst + int(np.argmin(allan[worst:]))
    frequency, density = noise_spectrum(y, interval)
    # white noise of density S over T s leaves the slope uncertain by sqrt(6 S / T^3)
    low = density[1 : max(2, len(density) // 16) + 1]
    u_drift = float(np.sqrt(6 * (np.mean(low) + resolution**2 * interval / 6) / (n * interval) ** 3))
    line = breathing_line(frequency, density)
    step = frequency[1] - frequency[0]
    power = {
        name: float(np.sum(density[(frequency >= a) & (frequency < b) & (frequency > 0)]) * step)
        for name, a, b in DISTURBANCES
    }
    power["drift"] += (slope * n * interval) ** 2 / 12
    floor = resolution**2 / 12
    total = sum(power.values())
    shares = {name: p / total if total > 0 else 0.0 for name, p in power.items()}
    where = "the last digit" if total <= 1.5 * floor else max(power, key=lambda name: power[name])
    if where != "the last digit" and line is None:
        where = _without_line(frequency, density, power)
    state = Steadiness(
        seconds=float(n * interval),
        readings=n,
        interval=interval,
        noise=noise,
        drift=slope,
        u_drift=u_drift,
        breathing=line[0] if line else None,
        breathing_amplitude=line[1] if line else None,
        tau=tau,
        allan=allan,
        best_averaging=float(tau[best]),
        best_noise=float(allan[best]),
        where=where,
        shares=shares,
        frequency=frequency,
        density=density,
        verdict="",
        advice=(),
    )
    return replace(state, verdict=_verdict(state, resolution), advice=_advice(state, resolution))


def _without_line(frequency: Floats, density: Floats, power: dict[str, float]) -> str:
    """Where the disturbance sits if nobody breathes on it: a flat spectrum is the balance's own noise."""
    if power["drift"] > 0.5 * sum(power.values()):
        return "drift"
    mean = {
        name: float(np.mean(density[(frequency >= a) & (frequency < b) & (frequency > 0)]))
        for name, a, b in DISTURBANCES
        if np.any((frequency >= a) & (frequency < b) & (frequency > 0))
    }
    middle = mean.get("breathing", np.inf)
    if mean.get("draught", 0.0) > FLAT * middle:
        return "draught"
    above = frequency >= BREATHING[1]
    if np.any(above) and np.max(density[above]) > LINE * middle:
        return "vibration"
    return "the balance's own noise"


def _mg(mass: float) -> str:
    return f"{mass * 1e6:.3g} mg"


def _verdict(s: Steadiness, resolution: float) -> str:
    """One grade first, by what averaging leaves; then noise and drift, always, and where the noise sits."""
    drift = f"drift {s.drift * 60e6:+.2g} ± {s.u_drift * 60e6:.1g} mg a minute"
    if s.where == "the last digit":
        return f"steady: only the last digit ({_mg(resolution)}) shows; {drift}"
    usable = s.best_noise < 2 * resolution
    grade = (
        "steady" if s.noise < 2 * resolution else "good enough when averaged" if usable else "too unsteady"
    )
    words = [f"{grade}: noise {_mg(s.noise)}", drift]
    if s.breathing:
        words.append(f"breathing at {s.breathing:.2f} Hz, {_mg(s.breathing_amplitude or 0)} each way")
    words.append(f"most of it is {s.where}")
    words.append(f"averaging helps up to {s.best_averaging:.2g} s and leaves {_mg(s.best_noise)}")
    return "; ".join(words)


def _advice(s: Steadiness, resolution: float) -> tuple[str, ...]:
    out = []
    if s.where == "breathing":
        out.append("sit back or put a draught shield between you and the pan; no need to hold your breath")
    if s.where == "draught":
        out.append("a draught shield around the bench; windows, fans and vents closed")
    if s.where == "vibration":
        out.append("a slower filter setting of the balance, a heavier table, nobody walking by")
    if abs(s.drift) > 3 * s.u_drift and abs(s.drift) * 60 > resolution:
        out.append("let the balance warm up; zero before and after each reading")
    if s.breathing and s.where != "breathing":
        out.append("a draught shield also keeps the breath out")
    if s.where == "the balance's own noise" and s.noise > 2 * resolution:
        out.append(
            f"average longer, up to {s.best_averaging:.2g} s, or a slower filter setting of the balance"
        )
    if not out:
        out.append("nothing: weigh")
    return tuple(out)
