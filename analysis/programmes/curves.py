"""What a programme's run says of the material: recoil, remanence and reversal curves, in a uniform field.

All follow from the fitted density (``history_fit``), led through the path that defines each. Fields are
internal; every number comes with its standard uncertainty and 95 % interval from the same draws.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..figures.monte_carlo import summarise
from ..records.arrays import Floats
from .history_fit import HistoryFit
from .settings import CELL_DOUBT, FAMILY, LONG, LOSS, MAP_DOUBT, ONSET_DOUBT, PERMEABILITY_DOUBT, POINTS, SEEN


@dataclass(frozen=True)
class Estimated:
    """A number with its standard uncertainty and 95 % interval, SI; NaN where the run cannot tell it.

    ``told``: the part of the draws in which there is such a number at all.
    """

    value: float
    u: float
    low95: float
    high95: float
    told: float

    def wider(self, by: float) -> Estimated:
        """With a doubt besides, of standard uncertainty ``by``."""
        low, high = (float(np.hypot(end - self.value, 1.96 * by)) for end in (self.low95, self.high95))
        return replace(self, u=float(np.hypot(self.u, by)), low95=self.value - low, high95=self.value + high)


@dataclass(frozen=True, eq=False)
class CurveFamily:
    """Curves one by one: ``H`` and ``M`` (curves, points), A/m, with ``u_M`` of each."""

    H: Floats
    M: Floats
    u_M: Floats


@dataclass(frozen=True, eq=False)
class RecoilResult:
    """Recoil from reverse fields ``H_reverse`` (k,), A/m, back to no field.

    ``permeability`` and ``loss`` (k,) with ``u``: of the recoil line (IEC 60404-8-1), and the part of the
    remanence that is lost for good after each. ``field_of_loss``: the reverse field that costs ``LOSS``.
    ``load_line`` (k,): -B/(mu0 H) at the same points of the branch, NaN where B has turned;
    ``load_line_of_loss``: the one on which a magnet loses ``LOSS``.
    """

    H_reverse: Floats
    permeability: Floats
    u_permeability: Floats
    loss: Floats
    u_loss: Floats
    field_of_loss: Estimated
    curves: CurveFamily
    load_line: Floats
    load_line_of_loss: Estimated


@dataclass(frozen=True, eq=False)
class RemanenceResult:
    """Remanence after fields ``H`` (k,), A/m: ``acquired`` from the virgin sample, ``left`` of the saturated
    one after the field in reverse; ``difference`` = left / Mr - (1 - 2 acquired / Mr), which is nothing
    where parts do not feel one another (E. P. Wohlfarth, J. Appl. Phys. 29 (1958) 595).

    ``Hcr``: the reverse field after which no remanence is left.
    """

    H: Floats
    acquired: Floats
    u_acquired: Floats
    left: Floats
    u_left: Floats
    difference: Floats
    u_difference: Floats
    remanence: Estimated
    Hcr: Estimated


@dataclass(frozen=True, eq=False)
class ReversalResult:
    """First-order reversal curves, and the density they come from.

    ``curves`` begin at their reversal field. ``density`` (n, n), per A/m, by the field and by the reversal
    field, both of ``fields`` (n,), A/m, with ``u_density``; NaN where the field is below. ``known`` (n, n):
    where it stands out of its own uncertainty. ``coercive``, ``interaction``: mean over the known part of
    half the difference of the two fields, and of half their sum, each with its u, in which is where within
    its cell each part lies.
    """

    curves: CurveFamily
    fields: Floats
    density: Floats
    u_density: Floats
    known: NDArray[np.bool_]
    coercive: float
    interaction: float
    u_coercive: float
    u_interaction: float

    @property
    def known_share(self) -> float:
        """The part of the distribution, where it is above zero, that is known."""
        whole = float(np.nansum(np.maximum(self.density, 0.0)))
        return float(self.density[self.known].sum()) / whole if whole else 0.0


def recoil(history: HistoryFit) -> RecoilResult:
    """The recoil curves of the major branch, from reverse fields up to the largest there was."""
    led = history.follow(_reversed_and_back(history))
    H, M = (a[:, POINTS:].reshape(len(a), FAMILY, POINTS) for a in (led.H, led.M))
    whole = _at(led.H[:, None, :POINTS], led.M[:, None, :POINTS], 0.0)
    after = _at(H, M, 0.0)
    loss = 1.0 - after / whole
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (after - M[:, :, 0]) / -H[:, :, 0]
        line = -1.0 - M[:, :, 0] / H[:, :, 0]
        shorter = np.maximum(history.cell / np.abs(H[0, :, 0]), 1.0)
    costly, costly_line = (
        np.array([_where(x, lost, LOSS) for x, lost in zip(along, loss, strict=True)])
        for along in (-H[:, :, 0], line)
    )
    field, line_of_loss = _estimated(costly), _estimated(costly_line)
    doubt = ONSET_DOUBT * history.cell
    of_onset = np.where(loss[0] < 2.0 * LOSS, doubt * np.abs(np.gradient(loss[0], H[0, :, 0])), 0.0)
    return RecoilResult(
        H[0, :, 0],
        1.0 + slope[0],
        np.hypot(_spread(H[:, :, 0], slope), PERMEABILITY_DOUBT * shorter),
        loss[0],
        np.sqrt(_spread(H[:, :, 0], loss) ** 2 + CELL_DOUBT**2 + of_onset**2),
        field.wider(doubt),
        CurveFamily(H[0], M[0], M[1:].std(axis=0)),
        np.where((H[0, :, 0] < 0.0) & (line[0] > 0.0), line[0], np.nan),
        # M over the field, less one.
        line_of_loss.wider((line_of_loss.value + 1.0) * doubt / field.value),
    )


def remanence(history: HistoryFit) -> RemanenceResult:
    """Both remanence curves up to the largest field there was."""
    ends = np.linspace(0.0, history.largest, FAMILY + 1)[1:]
    outward = np.concatenate([np.linspace(end, 0.0, POINTS) for end in ends])
    gained = history.follow(outward)
    H, M = (a.reshape(len(a), FAMILY, POINTS) for a in (gained.H, gained.M))
    acquired = _at(H, M, 0.0)
    lost = history.follow(_reversed_and_back(history))
    saturated = _at(lost.H[:, None, :POINTS], lost.M[:, None, :POINTS], 0.0)
    H, M = (a[:, POINTS:].reshape(len(a), FAMILY, POINTS) for a in (lost.H, lost.M))
    left, reverse = _at(H, M, 0.0), -H[:, :, 0]
    # Both over the same fields: those in reverse, which the sample's own field does not stretch alike.
    forward = gained.H[:, ::POINTS]
    acquired_there = np.array(
        [
            np.interp(r, f, a)
            for r, f, a in zip(reverse, np.maximum.accumulate(forward, 1), acquired, strict=True)
        ]
    )
    difference = left / saturated - (1.0 - 2.0 * acquired_there / saturated)
    zero = np.array([_where(h, x, 0.0) for h, x in zip(reverse, left, strict=True)])
    cells = CELL_DOUBT * saturated[0, 0]
    return RemanenceResult(
        reverse[0],
        acquired_there[0],
        np.hypot(_spread(reverse, acquired_there), cells),
        left[0],
        np.hypot(_spread(reverse, left), cells),
        difference[0],
        np.hypot(_spread(reverse, difference), CELL_DOUBT),
        _estimated(saturated[:, 0]),
        _estimated(zero),
    )


def reversal(history: HistoryFit) -> ReversalResult:
    """First-order reversal curves (C. R. Pike et al., J. Appl. Phys. 85 (1999) 6660, who define them): M on
    the way up from each reversal field, the sample having come from the largest field. The distribution is
    -1/2 d2M / dHr dH."""
    top = history.largest
    starts = np.linspace(-top, top, FAMILY, endpoint=False)
    path = np.concatenate([[top, *np.linspace(field, top, LONG)] for field in starts])
    led = history.follow(path)
    H, M = (a.reshape(len(a), FAMILY, LONG + 1)[:, :, 1:] for a in (led.H, led.M))
    grid = np.linspace(H[0].min(), H[0].max(), FAMILY)
    maps = np.array([_distribution(h, m, grid) for h, m in zip(H, M, strict=True)])
    density = maps[0]
    u = np.hypot(maps[1:].std(axis=0), MAP_DOUBT * np.nanmax(density))
    with np.errstate(invalid="ignore"):
        known = np.isfinite(density) & (density > SEEN * u)
    middles = 0.5 * (grid[1:] + grid[:-1])
    up, down = np.meshgrid(middles, middles, indexing="ij")
    weight = np.where(known, maps, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        coercive, interaction = (
            np.sum(weight * field, axis=(1, 2)) / weight.sum(axis=(1, 2))
            for field in (0.5 * (up - down), 0.5 * (up + down))
        )
        # Half a sum of two fields within a cell, of as many cells as weigh.
        cells = weight[0].sum() ** 2 / np.sum(weight[0] ** 2)
        within = (grid[1] - grid[0]) / np.sqrt(24.0 * cells)
    return ReversalResult(
        CurveFamily(H[0], M[0], M[1:].std(axis=0)),
        middles,
        density,
        u,
        known,
        float(coercive[0]),
        float(interaction[0]),
        float(np.hypot(coercive[1:].std(), within)),
        float(np.hypot(interaction[1:].std(), within)),
    )


def _distribution(H: Floats, M: Floats, fields: Floats) -> Floats:
    """-1/2 d2M / dHr dH (n - 1, n - 1) between the ``fields`` (n,), by field and by reversal field, per A/m;
    NaN below the reversal field. ``H``, ``M`` (curves, points): each curve from its reversal field up."""
    H = np.maximum.accumulate(H, axis=1)
    reversal_fields = np.maximum.accumulate(H[:, 0])
    # All curves in one, each beside the one before it.
    beside = 2.0 * np.ptp(H) * np.arange(len(H))[:, None]
    at = np.clip(fields, H[:, :1], H[:, -1:]) + beside
    on_grid = np.interp(at.ravel(), (H + beside).ravel(), M.ravel()).reshape(at.shape)
    # Below its reversal field a curve is the branch it left: M of the reversal fields themselves.
    branch = np.interp(fields, reversal_fields, M[:, 0])
    on_grid = np.where(fields >= reversal_fields[:, None], on_grid, branch)
    place = np.interp(fields, reversal_fields, np.arange(len(H)))
    before = np.minimum(place.astype(np.intp), len(H) - 2)
    on = (place - before)[:, None]
    both = ((1.0 - on) * on_grid[before] + on * on_grid[before + 1]).T
    step = fields[1] - fields[0]
    found = -0.5 * np.diff(np.diff(both, axis=0), axis=1) / step**2
    return np.where(np.tri(len(found), k=0) > 0, found, np.nan)


def _reversed_and_back(history: HistoryFit) -> Floats:
    """What is felt, A/m, on a path from the largest field to none (``POINTS``), and from there ``FAMILY``
    times into larger and larger reverse fields, each time back to none and a little beyond (``POINTS``
    each)."""
    top = history.largest
    led = history.follow(np.linspace(top, -top, 4 * LONG))
    # Beyond this the sample's own field stretches no way farther.
    back = float(np.max(np.abs(led.H[:, 0] - top))) * 1.05
    none = float(np.interp(0.0, led.H[0, ::-1], np.linspace(-top, top, 4 * LONG)))
    # Closer together where the first few per cent of the flux are lost.
    first = min(none, back)
    ends = first - (top + first) * (np.arange(1, FAMILY + 1) / FAMILY) ** 1.5
    return np.concatenate([np.linspace(top, none, POINTS), *(np.linspace(end, back, POINTS) for end in ends)])


def _at(H: Floats, M: Floats, level: float) -> Floats:
    """M (draws, curves) where H passes ``level`` for the first time; linear between points, the nearest end
    where it never does. H and M (draws, curves, points)."""
    side = H - level
    change = side[..., 1:] * side[..., :-1] <= 0.0
    i = np.where(change.any(axis=-1), change.argmax(axis=-1), np.abs(side[..., :-1]).argmin(axis=-1))[
        ..., None
    ]
    a, b = (np.take_along_axis(side, k, -1)[..., 0] for k in (i, i + 1))
    p, q = (np.take_along_axis(M, k, -1)[..., 0] for k in (i, i + 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(a == b, 0.0, np.clip(a / (a - b), 0.0, 1.0))
    return p + share * (q - p)


def _spread(H: Floats, y: Floats) -> Floats:
    """Standard uncertainty (m,) of y at the fields of the estimate: ``H``, ``y`` (1 + draws, m), the first
    row the estimate, whose fields the draws' own are not."""
    order = np.argsort(H[0])
    at, found = H[0, order], np.empty(H.shape[1])
    draws = [np.interp(at, h[order], v[order]) for h, v in zip(H[1:], y[1:], strict=True)]
    found[order] = np.std(draws, axis=0)
    return found


def _where(x: Floats, y: Floats, level: float) -> float:
    """The first x at which y passes ``level``, NaN where it never does."""
    side = y - level
    at = np.flatnonzero(side[1:] * side[:-1] <= 0.0)
    if not len(at):
        return float("nan")
    i = int(at[0])
    return float(
        x[i] if side[i] == side[i + 1] else x[i] + (x[i + 1] - x[i]) * side[i] / (side[i] - side[i + 1])
    )


def _estimated(values: Floats) -> Estimated:
    """The first is the estimate, the others its draws."""
    draws = values[1:]
    known = np.isfinite(draws)
    if not np.isfinite(values[0]) or known.sum() < 2:
        nothing = float("nan")
        return Estimated(nothing, nothing, nothing, nothing, float(known.mean()))
    s = summarise(draws[known])
    return Estimated(float(values[0]), s.u, s.low, s.high, float(known.mean()))


#: What each programme's run gives, by the programme's name.
RESULTS: dict[str, Callable[[HistoryFit], RecoilResult | RemanenceResult | ReversalResult]] = {
    "recoil": recoil,
    "remanence": remanence,
    "reversal": reversal,
}


def plain(value: Any) -> Any:
    """Arrays and records as lists and dictionaries, null where there is no number."""
    if isinstance(value, np.ndarray):
        return [plain(each) for each in value.tolist()]
    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, list | tuple):
        return [plain(each) for each in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value
