"""The drawings of another programme than the loop."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from ..programmes.curves import CurveFamily, RecoilResult, RemanenceResult, ReversalResult
from ..programmes.decay import DecayResult
from .plots import frame, legend_above
from .style import BRANCH_STYLE, MUTED, WARNING, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..programmes.results import ProgrammeResult

    Drawn = list[tuple[str, Figure]]

_MAIN, _OTHER = BRANCH_STYLE["descending"], BRANCH_STYLE["ascending"]
_INTERNAL, _M = "internal field H, kA/m", "magnetisation M, kA/m"
#: Times as people count them, s.
_TIMES = {1: "1 s", 10: "10 s", 60: "1 min", 600: "10 min", 3600: "1 h", 36000: "10 h", 360000: "100 h"}


def _recoil(found: RecoilResult) -> Drawn:
    return [
        ("Recoil curves: from larger and larger reverse fields back to no field.", fan_drawing(found)),
        (
            "Flux lost for good and recoil permeability after each reverse field, with their standard "
            "uncertainty. 100 %: no remanence is left; 200 %: the sample is turned over whole.",
            loss_drawing(found),
        ),
        (
            "The same loss against the load line on which the magnet works, with its standard uncertainty.",
            load_line_drawing(found),
        ),
    ]


def _remanence(found: RemanenceResult) -> Drawn:
    return [
        (
            "Remanence that a sample never magnetised acquires, and what a reverse field leaves of the "
            "saturated one, with their standard uncertainty.",
            remanence_drawing(found),
        ),
        (
            "What is left, less 1 − 2 × acquired, both in parts of Mr, with its standard uncertainty: zero "
            "where the parts of the material do not feel one another, below zero where they hinder, above "
            "zero where they help one another (Wohlfarth 1958).",
            difference_drawing(found),
        ),
    ]


def _reversal(found: ReversalResult) -> Drawn:
    return [
        (
            "First-order reversal curves, each from its reversal field, with their standard uncertainty.",
            family_drawing(found.curves),
        ),
        (
            "Their distribution over coercive and interaction field. Hatched: not known, the density being "
            "less than twice its own standard uncertainty.",
            distribution_drawing(found),
        ),
    ]


def _decay(found: DecayResult) -> Drawn:
    return [
        (
            "Change of the magnetisation against the logarithm of time. The fit has a drift of the balance's "
            "zero beside the decay.",
            decay_drawing(found),
        )
    ]


DRAWINGS: dict[str, Callable[[Any], Drawn]] = {
    "recoil": _recoil,
    "remanence": _remanence,
    "reversal": _reversal,
    "decay": _decay,
}


def weighed_drawing(result: ProgrammeResult) -> Figure:
    """M straight from each pull at the mean field over the sample, in the order taken."""
    assert result.history is not None
    points, field = result.history.points, result.history.fits[0].field
    M = points.force / field.pull_mean
    H = (field.H_mean - field.N * M) / 1e3
    used = points.used & np.isfinite(M)
    figure, axes = new_figure(height=3.6)
    for leg in np.unique(points.leg[used]):
        rows = used & (points.leg == leg)
        axes.plot(H[rows], M[rows] / 1e3, color=MUTED, linewidth=0.6)
    axes.plot(
        H[used], M[used] / 1e3, color=_MAIN["color"], marker="o", markersize=3, markerfacecolor="white",
        linestyle="none", label="readings, those of one passage joined",
    )  # fmt: skip
    # What lay before the run is led through and was not weighed.
    aside = ~points.used & np.isfinite(M) & np.isin(points.row, result.readings.row)
    if aside.any():
        axes.plot(
            H[aside], M[aside] / 1e3, color=WARNING, marker="D", markersize=5, markerfacecolor="none",
            linestyle="none", label="set aside",
        )  # fmt: skip
    frame(axes, _INTERNAL, _M)
    return figure


def decay_drawing(found: DecayResult) -> Figure:
    """The change of M over the logarithm of time, the fit, and the part of it that is decay."""
    figure, axes = new_figure()
    change = found.M - found.M[0]
    t = np.geomspace(found.t[0], found.t[-1], 200)
    lost, fit = found.change(t)
    axes.plot(
        found.t, change, color=_MAIN["color"], marker="o", markersize=4, linestyle="none", label="readings"
    )
    axes.plot(t, fit, color=_MAIN["color"], linewidth=1.1, label="fit, with a drift of the zero")
    axes.plot(
        t, lost, color=_OTHER["color"], linestyle="--", linewidth=1.1, label="decay, $-S\\,\\ln(t/t_0)$"
    )
    axes.set_xscale("log")
    shown = {s: words for s, words in _TIMES.items() if 0.7 * t[0] < s < 1.4 * t[-1]}
    axes.set_xticks(list(shown), list(shown.values()))
    axes.set_xticks([], minor=True)
    axes.set_xlabel("time since the field was reached")
    axes.set_ylabel("change of M, A/m")
    legend_above(axes)
    return figure


def family_drawing(curves: CurveFamily) -> Figure:
    """Each curve of a family with its band."""
    figure, axes = new_figure()
    for H, M, u in zip(curves.H / 1e3, curves.M / 1e3, curves.u_M / 1e3, strict=True):
        axes.plot(H, M, color=_MAIN["color"], linewidth=0.7)
        axes.fill_between(H, M - u, M + u, color=_MAIN["color"], alpha=0.12, linewidth=0)
    axes.plot(
        curves.H[:, 0] / 1e3, curves.M[:, 0] / 1e3, color=_OTHER["color"], marker=".", linestyle="none",
        label="where each curve leaves the branch",
    )  # fmt: skip
    frame(axes, _INTERNAL, _M)
    return figure


def fan_drawing(found: RecoilResult) -> Figure:
    """The branch, and the recoil curves from it to no field."""
    figure, axes = new_figure()
    c = found.curves
    H, M, u = (np.array(a) / 1e3 for a in (c.H[:, 0], c.M[:, 0], c.u_M[:, 0]))
    at_none = [float(np.interp(0.0, h, m)) / 1e3 for h, m in zip(c.H, c.M, strict=True)]
    for h, m, end in zip(c.H / 1e3, c.M / 1e3, at_none, strict=True):
        inside = h < 0.0
        axes.plot([*h[inside], 0.0], [*m[inside], end], color=_MAIN["color"], linewidth=0.8)
    axes.plot([0.0, *H], [at_none[0], *M], color=_OTHER["color"], linestyle="--", linewidth=0.9)
    axes.errorbar(
        H, M, yerr=u, color=_OTHER["color"], marker=".", linestyle="none", linewidth=0.8,
        label="descending branch, with its standard uncertainty",
    )  # fmt: skip
    axes.plot([], [], color=_MAIN["color"], linewidth=0.8, label="recoil curves")
    frame(axes, _INTERNAL, _M)
    return figure


def loss_drawing(found: RecoilResult) -> Figure:
    """Loss of flux (its 5 % marked) and recoil permeability."""
    figure, axes = new_figure(height=5.0, rows=2)
    H = -found.H_reverse / 1e3
    _losses(axes[0], H, found)
    _banded(axes[1], H, found.permeability, found.u_permeability, _OTHER)
    axes[1].set_ylabel("recoil permeability")
    axes[1].set_xlabel("internal reverse field, kA/m")
    return figure


def load_line_drawing(found: RecoilResult) -> Figure:
    """Loss of flux against the load line: of long magnets to the right, of flat ones to the left."""
    figure, axes = new_figure(height=3.0)
    _losses(axes, found.load_line, found)
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set_xlabel("load line, $-B/(\\mu_0 H)$")
    return figure


def _losses(axes: Any, x: Any, found: RecoilResult) -> None:
    _banded(axes, x, 100.0 * found.loss, 100.0 * found.u_loss, _MAIN)
    axes.axhline(5.0, color=MUTED, linestyle=":", linewidth=1.0, label="5 %")
    axes.set_ylabel("flux lost for good, %")
    legend_above(axes)


def remanence_drawing(found: RemanenceResult) -> Figure:
    """Both remanence curves with their bands."""
    figure, axes = new_figure()
    H = found.H / 1e3
    _banded(axes, H, found.acquired / 1e3, found.u_acquired / 1e3, _MAIN, "acquired")
    _banded(axes, H, found.left / 1e3, found.u_left / 1e3, _OTHER, "left after a reverse field")
    frame(axes, "internal field reached before, kA/m", "remanence, kA/m")
    return figure


def difference_drawing(found: RemanenceResult) -> Figure:
    """The difference that interaction makes, with its band."""
    figure, axes = new_figure(height=2.8)
    _banded(axes, found.H / 1e3, found.difference, found.u_difference, _MAIN)
    axes.axhline(0, color=MUTED, linewidth=0.8)
    axes.set_xlabel("internal field reached before, kA/m")
    axes.set_ylabel("difference, parts of Mr")
    return figure


def distribution_drawing(found: ReversalResult) -> Figure:
    """The distribution, each cell as large as it is: light to dark where it is known, which is also read in
    grey, and hatched where it is not."""
    from matplotlib.collections import PolyCollection

    figure, axes = new_figure(width=6.4, height=4.6)
    half = 0.5 * (found.fields[1] - found.fields[0]) / 1e3
    up, down = np.meshgrid(found.fields / 1e3, found.fields / 1e3, indexing="ij")
    # A square cell over both fields is one on its corner over half their difference and half their sum.
    corner = np.array([(half, 0.0), (0.0, half), (-half, 0.0), (0.0, -half)])
    middle = np.stack([0.5 * (up - down), 0.5 * (up + down)], axis=-1)
    cells = middle[:, :, None, :] + corner
    unknown = np.isfinite(found.density) & ~found.known
    axes.add_collection(
        PolyCollection(
            list(cells[unknown]),
            facecolor="#f2f2f2",
            edgecolor="#cfcfcf",
            hatch="////",
            linewidth=0.0,
            label="not known",
        )
    )
    known = PolyCollection(list(cells[found.known]), cmap="cividis_r", linewidth=0.2, edgecolor="face")
    known.set_array(found.density[found.known] * 1e3)
    known.set_clim(0.0, float(np.max(found.density[found.known], initial=1e-9)) * 1e3)
    axes.add_collection(known)
    bar = figure.colorbar(known, ax=axes, shrink=0.85)
    bar.set_label("density, 1/(kA/m)", fontsize=9)
    bar.ax.tick_params(labelsize=8)
    bar.locator = _few()
    bar.update_ticks()
    axes.set_aspect("equal")
    _window(axes, middle[found.known] if found.known.any() else middle[unknown], half)
    frame(axes, "coercive field, kA/m", "interaction field, kA/m")
    return figure


def _few() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(5)


def _window(axes: Any, middle: Any, half: float) -> None:
    """The part of the map around the cells ``middle`` (m, 2), with room for as much again."""
    (left, low), (right, high) = middle.min(axis=0), middle.max(axis=0)
    room = max(0.5 * (right - left), 0.5 * (high - low), 3.0 * half)
    axes.set_xlim(max(left - room, 0.0), right + room)
    axes.set_ylim(low - room, high + room)


def _banded(axes: Any, x: Any, y: Any, u: Any, style: dict[str, Any], label: str | None = None) -> None:
    axes.plot(
        x, y, color=style["color"], linestyle=style["linestyle"], marker=style["marker"], markersize=3,
        linewidth=1.1, label=label,
    )  # fmt: skip
    axes.fill_between(x, y - u, y + u, color=style["color"], alpha=0.18, linewidth=0)
