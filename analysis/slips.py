"""Slips of the hand and of the pen, found by what a magnet cannot do.

On a branch M only falls (or only rises), and no faster than its own demagnetising field allows:
dM/dH_applied = chi / (1 + N chi) lies between 0 and 1/N. A reading that breaks this by more than its
noise and the coarseness of the mean method is not of this branch: its gap, its orientation or its zero
is wrong. What can be told is told; the row is set aside with the reason, and nothing else is touched.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import quadrature
from .bench import Bench
from .branches import Arrangement, Warning, about_rows, arrange, incomplete
from .demag import demagnetising_factor
from .readings import Readings

Floats = NDArray[np.float64]

#: How far the mean method may stray from a monotone branch, as a part of the largest M (a trial of ours:
#: up to 3 % where a sample that does not saturate turns back, discs 6 x 3 mm over a cylinder 20 x 10 mm).
_COARSENESS = 0.035
#: How much steeper than 1/N a branch may look by the mean method (same trials: up to 1.2).
_STEEPER = 1.4
#: Standard uncertainties a reading must be off before it is called a slip.
_SURE = 6.0
#: A zero that moved by this many standard uncertainties of the difference did not drift there.
_ZERO_MOVED = 6.0
#: The densest a sintered hard ferrite can be: the X-ray density of BaFe12O19, kg/m^3 (check by lattice
#: constants: two formula units in a cell of a = 0.5893 nm, c = 2.3194 nm); SrFe12O19 is 5101.
XRAY_DENSITY = 5292.0


@dataclass(frozen=True)
class Limits:
    """What M may do on a branch: how far off a row may be (``slack``, A/m, one a row), the steepest
    slope dM/dH_applied, and the scale of M."""

    slack: Floats
    steepest: float
    scale: float


def check(readings: Readings, bench: Bench) -> Arrangement:
    """Arrange ``readings`` and look for every slip; returns the arrangement with suspect rows set aside."""
    arranged = arrange(readings, bench)
    arranged = _zeros_that_moved(arranged, readings)
    if arranged.points.used.sum() >= 4:
        limits = _limits(arranged, bench)
        arranged = _turns(arranged, limits)
        arranged = _off_the_branch(arranged, bench, limits)
    extra = [*_attraction(arranged), *incomplete(arranged), *_density(bench), *_order_in_time(readings)]
    extra += [Warning("unknown-column", remark) for remark in readings.remarks]
    return arranged.set_aside({}, extra)


def _limits(arranged: Arrangement, bench: Bench) -> Limits:
    used = arranged.points.used
    # A high quantile and not the largest: one slip must not set the scale it is judged by.
    scale = float(np.quantile(np.abs(arranged.M[used]), 0.8))
    u_M = np.abs(arranged.M_slope) * arranged.zeros.u_change
    slack = _COARSENESS * scale * _unevenness(arranged, bench) ** 2 + _SURE * u_M
    return Limits(slack, 1.0 / demagnetising_factor(bench.sample).axial, scale)


def _unevenness(arranged: Arrangement, bench: Bench) -> Floats:
    """Rms over mean of the gradient inside the sample, (n,): where it changes sign (over a ring), the
    mean method says little."""
    gaps, where = np.unique(arranged.points.gap, return_inverse=True)
    layers = quadrature.layers(bench.reference_magnet, bench.sample, gaps)
    mean = layers.dBz @ layers.weights
    return (np.sqrt(layers.dBz**2 @ layers.weights) / np.abs(mean))[where]


# ---- zeros


def _zeros_that_moved(arranged: Arrangement, readings: Readings) -> Arrangement:
    """A zero that is not where it was: a re-zero was forgotten, or something was touched."""
    zeros, points = arranged.zeros, arranged.points
    moved = np.isfinite(zeros.jump) & points.used
    if not moved.any():
        return arranged
    u = np.sqrt(2.0) * zeros.u_reading
    # A balance that drifts moves every zero: what all brackets do alike is drift and is interpolated.
    drift = np.abs(zeros.jump - np.median(zeros.jump[moved]))
    usual = 3.0 * float(np.median(np.abs(zeros.jump[moved])))
    suspect = moved & (drift > _ZERO_MOVED * u + usual)
    spans: dict[tuple[float, float], list[int]] = {}
    for i in np.flatnonzero(suspect):
        spans.setdefault((readings.zero_before[i], readings.zero_after[i]), []).append(int(i))
    aside: dict[int, str] = {}
    warnings: list[Warning] = []
    for indices in spans.values():
        step = float(zeros.jump[indices[0]])
        looks = _as_spacers(step, arranged)
        text = f"the zero moved by {step * 1e3:+.4g} g around the reading{looks}; set aside"
        warnings.append(about_rows("zero-jump", points.row[indices], text))
        aside |= dict.fromkeys(indices, f"the zero moved by {step * 1e3:+.4g} g around it")
    return arranged.set_aside(aside, warnings)


def _as_spacers(step: float, arranged: Arrangement) -> str:
    """``step`` (kg) in words, as whole spacers where it is a whole number of them."""
    mass = arranged.spacer_mass
    if mass is None or not mass > 0:
        return ""
    count = round(abs(step) / mass)
    if count == 0 or abs(abs(step) - count * mass) > max(0.1 * mass, 3e-3 * abs(step)):
        return ""
    return f": looks like {count} spacer{'s' if count > 1 else ''} not re-zeroed"


# ---- turn-overs


def _turns(arranged: Arrangement, limits: Limits) -> Arrangement:
    """Check the sign across every turn-over: M cannot jump while the field hardly changes."""
    points, H, M = arranged.points, arranged.H, arranged.M
    good: int | None = None  # the far end of the last passage outward that can be trusted
    orientation = 0
    aside: dict[int, str] = {}
    warnings: list[Warning] = []
    doubted = False
    for passage in arranged.passages:
        rows = [int(i) for i in passage.rows if points.used[i]]
        if not rows:
            continue
        if passage.inward:
            doubted = False
            if good is None:
                continue
            first = rows[0]
            slack = limits.slack[first] + limits.slack[good] + 0.1 * limits.scale
            jump = abs(M[first] - M[good]) - limits.steepest * abs(H[first] - H[good])
            if jump > slack and abs(M[first] + M[good]) < abs(M[first] - M[good]):
                doubted = True
                noted = "noted" if passage.orientation != orientation else "noted as not turned"
                why = "the sign of the force says the orientation noted is wrong, or a turn was missed"
                text = (
                    f"{noted} {passage.orientation:+d}, but the sign of the force says "
                    f"{-passage.orientation:+d}: a turn-over was missed or noted wrongly"
                )
            elif passage.orientation == orientation:
                why = "went in again without a turn-over: on a minor loop"
                text = "went in again with no turn-over since the way out; a turn was missed"
                doubted = False
                aside |= dict.fromkeys(rows, why)
                warnings.append(about_rows("orientation-suspect", points.row[rows], f"{text}; set aside"))
                continue
            else:
                continue
            aside |= dict.fromkeys(rows, why)
            warnings.append(about_rows("orientation-suspect", points.row[rows], f"{text}; set aside"))
        elif doubted:
            # The way out shares the doubt of the way in: one warning names both.
            aside |= dict.fromkeys(rows, "its passage inward has the wrong sign")
            before = warnings.pop()
            text = before.text.split(": ", 1)[1]
            warnings.append(about_rows(before.code, (*before.rows, *points.row[rows]), text))
        else:
            good, orientation = rows[-1], passage.orientation
    return arranged.set_aside(aside, warnings)


def _attraction(arranged: Arrangement) -> list[Warning]:
    """At its strongest field a sample is attracted; pushed off with either orientation, it is the sign
    of the bench file that is wrong."""
    signs: dict[int, list[bool]] = {}
    for passage in arranged.passages:
        rows = [i for i in passage.rows if arranged.points.used[i]]
        if rows:
            strongest = max(rows, key=lambda i: abs(arranged.H[i]))
            clear = abs(arranged.points.force[strongest]) > _SURE * arranged.points.u_force[strongest]
            repelled = arranged.points.force[strongest] < 0
            signs.setdefault(passage.orientation, []).append(bool(clear and repelled))
    if len(signs) == 2 and all(all(values) for values in signs.values()):
        text = (
            "the sample is pushed off at the smallest gap with either orientation: attraction in the bench "
            "file ([balance] attraction) looks the wrong way round"
        )
        return [Warning("attraction-suspect", text)]
    return []


# ---- rows that are not of their branch


def _off_the_branch(arranged: Arrangement, bench: Bench, limits: Limits) -> Arrangement:
    """Set aside rows that leave the band of what their neighbours allow."""
    aside: dict[int, tuple[str, str]] = {}
    stretches: list[tuple[list[int], float]] = []
    for _name, chain in arranged.chains():
        rows = [int(i) for i in chain]
        sign = _going(arranged, rows)
        for stretch, step in _shifted(arranged, rows, sign, limits):
            if len(stretch) > 1:
                stretches.append((stretch, step))
            rows = [i for i in rows if i not in stretch]
            if len(stretch) == 1:
                aside[stretch[0]] = _single(arranged, stretch[0], step)
    points = arranged.points
    warnings: list[Warning] = []
    reasons: dict[int, str] = {}
    for stretch, step in stretches:
        looks = _as_spacers(step, arranged)
        text = f"all off by {step * 1e3:+.4g} g{looks}; a re-zero was forgotten; set aside"
        warnings.append(about_rows("zero-jump", points.row[stretch], text))
        reasons |= dict.fromkeys(stretch, f"off by {step * 1e3:+.4g} g{looks}, as the rows beside it")
    for i, (code, reason) in sorted(aside.items()):
        if i not in reasons:
            warnings.append(about_rows(code, points.row[[i]], f"{reason}; set aside"))
            reasons[i] = reason
    return arranged.set_aside(reasons, warnings)


def _going(arranged: Arrangement, rows: list[int]) -> float:
    """+1 where M rises along the chain, -1 where it falls."""
    return float(np.sign(arranged.H[rows[-1]] - arranged.H[rows[0]])) or 1.0


def _excess(M: Floats, H: Floats, sign: float, limits: Limits, slack: Floats) -> Floats:
    """By how much each step along a chain breaks the limits (A/m, 0 where it does not): (k - 1,).
    Negative for a step the wrong way, positive for one too steep."""
    step, allowed = sign * np.diff(M), limits.steepest * np.abs(np.diff(H))
    # 1/N is rigorous for a sample magnetised evenly; by the mean method a steep branch looks steeper yet.
    both = np.maximum(slack[1:], slack[:-1])
    return np.minimum(step + both, 0.0) + np.maximum(step - _STEEPER * allowed - both, 0.0)


def _shifted(
    arranged: Arrangement, rows: list[int], sign: float, limits: Limits
) -> list[tuple[list[int], float]]:
    """The shortest stretches of a chain without which it obeys the limits, each with the reading (kg) it
    seems to be off by; one at a time, the one that mends most first."""
    found: list[tuple[list[int], float]] = []
    M, H, slack = arranged.M, arranged.H, limits.slack
    rows = list(rows)
    while len(rows) >= 4:
        broken = np.flatnonzero(_excess(M[rows], H[rows], sign, limits, slack[rows]))
        if not len(broken):
            break
        total = float(np.abs(_excess(M[rows], H[rows], sign, limits, slack[rows])).sum())
        best: tuple[float, list[int]] | None = None
        # The stretch begins and ends at a broken step; it may run to either end of the chain.
        starts = {0, *(int(b) + 1 for b in broken)}
        stops = {len(rows), *(int(b) + 1 for b in broken)}
        single = {int(b) for b in broken} | {int(b) + 1 for b in broken}
        candidates = {(a, b) for a in starts for b in stops if a < b} | {(s, s + 1) for s in single}
        for a, b in candidates:
            if b - a > len(rows) // 2:
                continue
            rest = rows[:a] + rows[b:]
            left = float(np.abs(_excess(M[rest], H[rest], sign, limits, slack[rest])).sum())
            inner = float(np.abs(_excess(M[rows[a:b]], H[rows[a:b]], sign, limits, slack[rows[a:b]])).sum())
            # Fewest rows among those that mend alike: a row costs a part of the scale.
            cost = left + 0.2 * inner + 0.02 * limits.scale * (b - a)
            if left < total * 0.999 and (best is None or cost < best[0]):
                best = (cost, rows[a:b])
        if best is None:
            best = (0.0, [rows[int(broken[0]) + 1]])
        stretch = best[1]
        found.append((stretch, _offset(arranged, rows, stretch)))
        rows = [i for i in rows if i not in stretch]
    return found


def _offset(arranged: Arrangement, rows: list[int], stretch: list[int]) -> float:
    """The reading (kg) a stretch seems to be off by: against M interpolated from the rows around it."""
    rest = np.array([i for i in rows if i not in stretch])
    order = np.argsort(arranged.H[rest])
    expected = np.interp(arranged.H[stretch], arranged.H[rest][order], arranged.M[rest][order])
    return float(np.median((arranged.M[stretch] - expected) / arranged.M_slope[stretch]))


def _single(arranged: Arrangement, i: int, step: float) -> tuple[str, str]:
    """Code and reason for one row that leaves its branch."""
    M = arranged.M[i]
    expected = M - step * arranged.M_slope[i]
    if abs(M + expected) < 0.3 * abs(M - expected):
        return "orientation-suspect", "the sign of the force says the orientation was noted wrongly"
    looks = _as_spacers(step, arranged)
    if looks:
        return "zero-jump", f"off by {step * 1e3:+.4g} g{looks}"
    off = 100.0 * (M - expected) / max(abs(expected), 1e-9 * abs(M))
    return "gap-outlier", (
        f"off by {step * 1e3:+.3g} g ({off:+.0f} %) from what the rows beside it lead to: the gap or the "
        "reading was noted wrongly"
    )


# ---- the rest


def _density(bench: Bench) -> list[Warning]:
    """Mass and size that make a hard ferrite denser than its crystal."""
    mass = bench.sample.mass
    if mass is None:
        return []
    density = mass.value / quadrature.volume(bench.sample)
    u = density * relative_volume_uncertainty(bench)
    u = float(np.hypot(u, density * mass.u / mass.value)) if mass.value > 0 else u
    if density - 3.0 * u > XRAY_DENSITY:
        text = (
            f"mass and size make {density / 1e3:.2f} g/cm3, more than a hard ferrite without pores "
            f"({XRAY_DENSITY / 1e3:.2f} g/cm3): for a ferrite the mass or a size in the bench file is wrong"
        )
        return [Warning("density-suspect", text)]
    return []


def relative_volume_uncertainty(bench: Bench) -> float:
    """Relative standard uncertainty of the sample's volume from its sizes."""
    sample = bench.sample
    powers = {"height": 1, "diameter": 2, "length": 1, "width": 1}
    if sample.shape == "sphere":
        powers = {"diameter": 3}
    total = 0.0
    for name, power in powers.items():
        size = getattr(sample, name)
        if size is not None:
            total += (power * size.u / size.value) ** 2
    return float(np.sqrt(total))


def _order_in_time(readings: Readings) -> list[Warning]:
    """Times that run backward: rows out of order, or a clock set back."""
    at = np.flatnonzero(np.isfinite(readings.time))
    back = at[1:][np.diff(readings.time[at]) < 0]
    if not len(back):
        return []
    text = "earlier than the row before; taken in the order written"
    return [about_rows("time-order", readings.row[back], text)]
