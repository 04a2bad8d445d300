"""The report's figures of one loop, drawn from the same numbers as the JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..constants import MU0
from ..figures.names import FIGURE_NAMES
from .style import BRANCH_STYLE, BRANCH_WORDS, MUTED, WARNING, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import LoopResult

Rows = list[dict[str, Any]]


def _column(rows: Rows, key: str, scale: float = 1.0) -> np.ndarray:
    return np.array([np.nan if row[key] is None else row[key] * scale for row in rows], dtype=float)


def _by_branch(rows: Rows) -> list[tuple[str, Rows]]:
    groups = [(name, [r for r in rows if r["branch"] == name and r["used"]]) for name in BRANCH_STYLE]
    return [(name, group) for name, group in groups if group]


def frame(axes: Any, x: str, y: str) -> None:
    """Both zero lines, the axes' names and the legend of a loop."""
    axes.axhline(0, color=MUTED, linewidth=0.8)
    axes.axvline(0, color=MUTED, linewidth=0.8)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    legend_above(axes)


def legend_above(axes: Any) -> None:
    """The legend in a line above the drawing, where it covers nothing."""
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=6, fontsize=8, frameon=False)


def magnetisation_drawing(result: LoopResult, rows: Rows, axes: Any = None) -> Figure:
    """M against the internal field: points with standard uncertainty, curves with their band."""
    figure, axes = new_figure() if axes is None else (axes.figure, axes)
    for curve in result.estimate.curves:
        style = BRANCH_STYLE[curve.branch]
        H = curve.H_internal / 1e3
        axes.plot(H, curve.M / 1e3, color=style["color"], linestyle=style["linestyle"], linewidth=1.2)
        band = result.bands.get(curve.branch)
        if band is not None:
            axes.fill_between(H, band[0] / 1e3, band[1] / 1e3, color=style["color"], alpha=0.18, linewidth=0)
    for name, group in _by_branch(rows):
        style = BRANCH_STYLE[name]
        axes.errorbar(
            _column(group, "H_internal_A_per_m", 1e-3),
            _column(group, "M_A_per_m", 1e-3),
            yerr=_column(group, "u_M_A_per_m", 1e-3),
            color=style["color"],
            marker=style["marker"],
            markersize=4,
            markerfacecolor="white",
            linestyle=style["linestyle"] if name == "first" else "none",
            linewidth=0.8,
            label=BRANCH_WORDS[name],
        )
    aside = [row for row in rows if not row["used"]]
    if aside:
        axes.plot(
            _column(aside, "H_internal_A_per_m", 1e-3),
            _column(aside, "M_A_per_m", 1e-3),
            color=WARNING,
            marker="D",
            linestyle="none",
            markersize=5,
            markerfacecolor="none",
            label="set aside",
        )
    frame(axes, "internal field H, kA/m", "magnetisation M, kA/m")
    return figure


def induction_drawing(result: LoopResult, rows: Rows, axes: Any = None) -> Figure:
    """B against the internal field, with the point of the largest energy product."""
    figure, axes = new_figure(height=3.6) if axes is None else (axes.figure, axes)
    for curve in result.estimate.curves:
        style = BRANCH_STYLE[curve.branch]
        H = curve.H_internal
        B = MU0 * (H + curve.M)
        axes.plot(
            H / 1e3,
            B,
            color=style["color"],
            linestyle=style["linestyle"],
            label=BRANCH_WORDS[curve.branch],
        )
        if curve.branch != "descending":
            continue
        product = np.where((H < 0) & (B > 0), -B * H, -np.inf)
        best = int(np.argmax(product))
        if np.isfinite(product[best]):
            axes.plot(H[best] / 1e3, B[best], marker="*", markersize=11, color=WARNING, linestyle="none")
            axes.fill_between([H[best] / 1e3, 0], 0, B[best], color=WARNING, alpha=0.10, linewidth=0)
            axes.annotate(
                "largest B H", (H[best] / 1e3, B[best]), xytext=(-62, 8), textcoords="offset points"
            )
    frame(axes, "internal field H, kA/m", "induction B, T")
    return figure


def pull_drawing(result: LoopResult, rows: Rows, axes: Any = None) -> Figure:
    """What was weighed: the force against the gap, attraction upwards."""
    figure, axes = new_figure(height=3.6) if axes is None else (axes.figure, axes)
    for name, group in _by_branch(rows):
        style = BRANCH_STYLE[name]
        axes.plot(
            _column(group, "gap_m", 1e3),
            _column(group, "force_N", 1e3),
            color=style["color"],
            linestyle=style["linestyle"],
            linewidth=0.9,
            marker=style["marker"],
            markersize=4,
            markerfacecolor="white",
            label=BRANCH_WORDS[name],
        )
    axes.axhline(0, color=MUTED, linewidth=0.8)
    axes.set_xlabel("gap, mm")
    axes.set_ylabel("force, mN (attraction positive)")
    legend_above(axes)
    return figure


def budget_drawing(result: LoopResult, key: str, axes: Any = None) -> Figure:
    """What a figure's uncertainty is made of: the share of each input in its square, the largest on top."""
    figure, axes = new_figure(height=2.8) if axes is None else (axes.figure, axes)
    lines = sorted(result.budget.get(key, ()), key=lambda line: line.share)[-8:]
    axes.barh(
        [line.input for line in lines],
        [line.share for line in lines],
        color=BRANCH_STYLE["descending"]["color"],
    )
    axes.set_xlabel(f"share in u² of {FIGURE_NAMES[key].printed}")
    axes.set_xlim(0, 1)
    return figure


def steadiness_drawing(result: LoopResult) -> Figure:
    """Over the run: the zeros, each reading's uncertainty and, where it was watched, its settling time."""
    readings = result.readings
    panels = 2 if readings.settled_in is None else 3
    figure, axes = new_figure(height=1.4 * panels + 0.9, rows=panels)
    x, words = _over_the_run(result)
    for zeros, branch, label in (
        (readings.zero_before, "descending", "zero before"),
        (readings.zero_after, "ascending", "zero after"),
    ):
        if not np.isfinite(zeros).any():
            continue
        style = BRANCH_STYLE[branch]
        shown = _less_the_first(zeros, readings.spacers)
        axes[0].plot(x, shown * 1e6, color=style["color"], linestyle=style["linestyle"], label=label)
        legend_above(axes[0])
    axes[0].set_ylabel("zero, mg")
    look = {"color": BRANCH_STYLE["first"]["color"], "marker": ".", "linestyle": "none"}
    axes[1].plot(x, readings.u_reading * 1e6, **look)
    axes[1].set_ylabel("u of reading, mg")
    if readings.settled_in is not None:
        axes[2].plot(x, readings.settled_in, **look)
        axes[2].set_ylabel("settled in, s")
    for ax in axes[1:]:
        ax.set_ylim(bottom=0)
    axes[-1].set_xlabel(words)
    return figure


def _over_the_run(result: LoopResult) -> tuple[np.ndarray, str]:
    """What a drawing over the run has along its foot: the time where it was noted, else the row."""
    readings = result.readings
    if len(readings) and np.isfinite(readings.time).all():
        return (readings.time - readings.time[0]) / 60, "time, min"
    return readings.row.astype(float), "row"


def _less_the_first(zeros: np.ndarray, spacers: np.ndarray) -> np.ndarray:
    """Zeros less the first at the same number of spacers, whose mass would hide the drift; other zeros as
    they are."""
    shown = zeros.copy()
    for count in np.unique(spacers[np.isfinite(spacers)]):
        same = (spacers == count) & np.isfinite(zeros)
        if same.any():
            shown[same] -= zeros[same][0]
    return shown


def temperature_drawing(result: LoopResult) -> Figure | None:
    """Temperature over the run, where it was noted."""
    readings = result.readings
    if not np.isfinite(readings.temperature).any():
        return None
    figure, axes = new_figure(height=2.2)
    x, words = _over_the_run(result)
    axes.plot(x, readings.temperature - 273.15, color=BRANCH_STYLE["descending"]["color"])
    axes.set_ylabel("temperature, °C")
    axes.set_xlabel(words)
    return figure
