"""The comparison's page: loops overlaid, figures, differences with joint uncertainty, the batch."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..figures.names import FIGURE_NAMES
from .output import filled, page_file, write_page
from .page import versions
from .plots import frame
from .style import new_figure, svg
from .wording import LEADING, capital, rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..comparison import Batch, Comparison, Trend
    from ..results import LoopResult

#: Runs differ by colour, mark and line at once. Six is what an overlay can carry.
_MARKS = ("o", "s", "^", "D", "v", "P")
_LINES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (1, 1)))
_COLOURS = ("#14506b", "#a8481c", "#4b6b14", "#7d1f5a", "#55554f", "#b07d00")
#: Figures of the trend over the batch.
_TREND = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3")


def write_comparison(comparison: Comparison, results: Sequence[LoopResult], path: str | Path) -> None:
    """Write the comparison of ``results`` to ``path`` as one HTML file, whole or not at all."""
    target = page_file(path)
    is_batch = len(results) > 2
    page = filled(
        "comparison.html",
        names=comparison.names,
        conclusion=_conclusion(comparison),
        overlay=svg(overlay_drawing(comparison.names, results)),
        overlay_alt="Magnetisation against internal field, the recovered branches of all samples.",
        figures=[_row(line, comparison.names) for line in comparison.table],
        shared=comparison.text,
        matrices=[
            _matrix(key, comparison)
            for key in LEADING
            if any(d.figure == key for d in comparison.differences)
        ],
        batch=[_batch(b) for b in comparison.batch] if is_batch else [],
        going=[_trend(t) for t in comparison.trend],
        spread=svg(distribution_drawing(comparison.names, results)),
        spread_alt="Remanence, coercivity and energy product by sample: how the Monte Carlo trials are "
        "spread (width: their density; bar: 95 % interval; triangle: a lower bound).",
        versions=versions(),
    )
    write_page(target, page)


def overlay_drawing(names: Sequence[str], results: Sequence[LoopResult]) -> Figure:
    """The branches of all runs over the internal field."""
    figure, axes = new_figure(height=4.4)
    for i, (name, result) in enumerate(zip(names, results, strict=True)):
        look = {"color": _COLOURS[i % 6], "linestyle": _LINES[i % 6], "linewidth": 1.3}
        for j, curve in enumerate(result.estimate.curves):
            axes.plot(curve.H_internal / 1e3, curve.M / 1e3, label=None if j else name, **look)
    frame(axes, "internal field H, kA/m", "magnetisation M, kA/m")
    return figure


def distribution_drawing(names: Sequence[str], results: Sequence[LoopResult]) -> Figure:
    """How the Monte Carlo trials of a few figures are spread, sample by sample in the order given: the width
    of a body is their density, its bar the 95 % interval, a lone triangle a lower bound."""
    shown = [key for key in _TREND if any(key in result.figures for result in results)]
    figure, axes = new_figure(height=1.7 * max(len(shown), 2) + 0.4, rows=max(len(shown), 2))
    for i, (key, ax) in enumerate(zip(shown, axes, strict=False)):
        name = FIGURE_NAMES[key]
        for x, result in enumerate(results):
            found, trials = result.figures.get(key), result.samples.get(key, np.zeros(0))
            trials = trials[np.isfinite(trials)]
            if found is None or found.value is None:
                continue
            low, high = found.low95, found.high95
            mark = "^" if found.status == "bound" else "o"
            ax.plot(x, name.shown(found.value), marker=mark, color=_COLOURS[i], markersize=5)
            if found.status != "measured" or low is None or high is None or len(set(trials)) < 2:
                continue
            (body,) = ax.violinplot(name.shown(1.0) * trials, [x], widths=0.7, showextrema=False)["bodies"]
            body.set_facecolor(_COLOURS[i])
            body.set_alpha(0.25)
            ax.vlines(x, name.shown(low), name.shown(high), color=_COLOURS[i], linewidth=1.2)
        ax.set_ylabel(f"{name.printed}, {name.unit()}")
        many = len(names) > 6
        ax.set_xticks(range(len(names)), names, rotation=30 if many else 0, ha="right" if many else "center")
        ax.set_xlim(-0.5, len(names) - 0.5)
    return figure


def _conclusion(comparison: Comparison) -> list[str]:
    sentences = []
    for key in _TREND:
        name = FIGURE_NAMES[key]
        real = [d for d in comparison.differences if d.figure == key and d.differs]
        seen = [d for d in comparison.differences if d.figure == key]
        if not seen:
            continue
        if not real:
            sentences.append(f"No difference in {name.words} stands out from the measurements' uncertainty.")
            continue
        parts = []
        for d in real[:4]:
            high, low = (d.first, d.second) if d.value > 0 else (d.second, d.first)
            u = name.shown(d.u)
            by = rounded(abs(name.shown(d.value)), u)
            parts.append(
                f"{high} above {low} by {by} {name.unit()} (joint u = {rounded(u, u)} {name.unit()})"
            )
        more = f", and {len(real) - 4} more" if len(real) > 4 else ""
        sentences.append(f"{capital(name.words)} differs: {'; '.join(parts)}{more}.")
    return sentences


def _row(line: dict[str, Any], names: Sequence[str]) -> dict[str, Any]:
    name, cells = FIGURE_NAMES[line["figure"]], []
    for run in names:
        found = line["runs"][run]
        if found is None or found["value"] is None:
            cells.append("–")
            continue
        u = None if found["u"] is None else name.shown(found["u"])
        value = rounded(name.shown(found["value"]), u)
        bound = "≥ " if found["status"] == "bound" else ""
        cells.append(f"{bound}{value}" + (f" ± {rounded(u, u)}" if u else ""))
    return {"words": name.words, "symbol": name.html, "unit": name.unit(), "cells": cells}


def _matrix(key: str, comparison: Comparison) -> dict[str, Any]:
    """One figure's differences as a square table: row less column."""
    name = FIGURE_NAMES[key]
    found = {(d.first, d.second): d for d in comparison.differences if d.figure == key}

    def cell(row: str, column: str) -> dict[str, Any]:
        d, sign = found.get((row, column)), 1.0
        if d is None:
            d, sign = found.get((column, row)), -1.0
        if d is None:
            return {"text": "–", "differs": False}
        value, u = sign * name.shown(d.value), name.shown(d.u)
        return {"text": f"{rounded(value, u)} ± {rounded(u, u)}", "differs": d.differs}

    names = comparison.names
    return {
        "words": capital(name.words),
        "symbol": name.html,
        "unit": name.unit() or "1",
        "note": next((f"{capital(d.note)}." for d in found.values() if d.note), None),
        "rows": [{"name": row, "cells": [cell(row, column) for column in names]} for row in names],
    }


def _batch(b: Batch) -> dict[str, Any]:
    name = FIGURE_NAMES[b.figure]
    mean, u, spread, own = (name.shown(v) for v in (b.mean, b.u_mean, b.spread, b.u_own))
    share = f"{100 * b.chance:.0f} %" if b.chance >= 0.01 else "under 1 %"
    chance = f"such a spread comes by measurement alone in {share} of cases"
    return {
        "words": f"{name.words} ({name.html})",
        "mean": rounded(mean, u),
        "u_mean": rounded(u, u),
        "spread": rounded(spread, u),
        "u_own": rounded(own, u),
        "unit": name.unit(),
        "verdict": f"{'differ' if b.differ else 'alike'}: {chance}",
    }


def _trend(t: Trend) -> dict[str, Any]:
    name = FIGURE_NAMES[t.figure]
    slope, u, low, high = (name.shown(v) for v in (t.per_run, t.u, t.low95, t.high95))
    return {
        "words": f"{name.words} ({name.html})",
        "slope": rounded(slope, u),
        "u": rounded(u, u),
        "interval": f"{rounded(low, u)} … {rounded(high, u)}",
        "unit": name.unit(),
        "verdict": ("rises" if slope > 0 else "falls") if t.goes else "no trend seen",
    }
