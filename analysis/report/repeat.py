"""The page of one loop run again and again: coefficients first, then loops against temperature and time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..figures.names import FIGURE_NAMES
from ..repeat import COEFFICIENTS
from .output import filled, page_file, write_page
from .page import versions
from .style import BRANCH_STYLE, MUTED, new_figure, svg
from .wording import capital, rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..repeat import Coefficient, RepeatResult

_MAIN, _OTHER = BRANCH_STYLE["descending"], BRANCH_STYLE["ascending"]
_SYMBOLS = {"alpha(Br)": "α(B<sub>r</sub>)", "alpha(HcJ)": "α(H<sub>cJ</sub>)"}


def write_repeat(result: RepeatResult, path: str | Path, recompute: str = "", *, units: str = "si") -> None:
    """Write the page to ``path`` as one file, whole or not at all."""
    target = page_file(path)
    drawings = []
    if any(c.value is not None for c in result.coefficients):
        words = (
            "Loop by loop against temperature, with the fitted line and its 95 % band; bars: what readings, "
            "zeros and gaps of a single loop are off by, one standard uncertainty."
        )
        drawings.append({"words": words, "svg": svg(temperature_drawing(result, units))})
    if result.repeatability and np.isfinite(result.hours).all():
        words = "The same loops against time, with the temperature where it was noted."
        drawings.append({"words": words, "svg": svg(time_drawing(result, units))})
    followed = [r.figure for r in result.repeatability]
    page = filled(
        "repeat.html",
        sample=result.sample,
        count=len(result.loops),
        conclusion=[*map(_conclusion, result.coefficients), *_repeats(result, units)],
        drawings=drawings,
        coefficients=[_coefficient(c) for c in result.coefficients if c.value is not None],
        repeatability=[_line(r, units) for r in result.repeatability],
        columns=[_heading(key, units) for key in followed],
        loops=_loops(result, followed, units),
        warnings=[{"code": w.code, "text": w.text} for w in result.warnings],
        recompute=recompute,
        versions=versions(),
    )
    write_page(target, page)


def temperature_drawing(result: RepeatResult, units: str = "si") -> Figure:
    """The figures with a coefficient against temperature, each with its line."""
    shown = [c for c in result.coefficients if c.value is not None]
    figure, axes = new_figure(height=2.5 * max(len(shown), 1) + 0.4, rows=max(len(shown), 2))
    warmth = result.degrees
    for ax in axes[len(shown) :]:
        ax.remove()
    for c, ax in zip(shown, axes, strict=False):
        name, own = FIGURE_NAMES[c.figure], next(r for r in result.repeatability if r.figure == c.figure)
        assert c.value is not None
        assert c.u is not None
        assert c.at_reference is not None
        assert c.high95 is not None
        values = result.column(c.figure)
        _bars(ax, warmth, name.shown(1.0, units) * values, name.shown(own.expected, units))
        T = np.linspace(warmth.min(), warmth.max(), 60)
        line = c.line(T)
        middle = float(np.mean(warmth[np.isfinite(values)]))
        half = (c.high95 - c.value) / c.u
        band = np.hypot(half * c.u * c.at_reference * (T - middle), half * own.scatter / np.sqrt(own.loops))
        scale = name.shown(1.0, units)
        ax.plot(T, scale * line, color=_OTHER["color"], linewidth=1.2)
        ax.fill_between(
            T, scale * (line - band), scale * (line + band), color=_OTHER["color"], alpha=0.18, linewidth=0
        )
        ax.set_ylabel(f"{name.printed}, {name.unit(units)}")
        ax.tick_params(labelbottom=True)
    axes[max(len(shown), 1) - 1].set_xlabel("temperature, °C")
    return figure


def time_drawing(result: RepeatResult, units: str = "si") -> Figure:
    """The figures with a coefficient, and the temperature, against time."""
    followed = [r for r in result.repeatability if r.figure in COEFFICIENTS] or list(result.repeatability)
    noted = bool(np.isfinite(result.temperature).any())
    rows = len(followed) + noted
    figure, axes = new_figure(height=1.9 * max(rows, 2) + 0.4, rows=max(rows, 2))
    for ax in axes[rows:]:
        ax.remove()
    for own, ax in zip(followed, axes, strict=False):
        name = FIGURE_NAMES[own.figure]
        values = name.shown(1.0, units) * result.column(own.figure)
        _bars(ax, result.hours, values, name.shown(own.expected, units))
        ax.set_ylabel(f"{name.printed}, {name.unit(units)}")
    if noted:
        ax = axes[rows - 1]
        ax.plot(result.hours, result.degrees, color=MUTED, marker=".", linewidth=1.0)
        ax.set_ylabel("temperature, °C")
    axes[rows - 1].tick_params(labelbottom=True)
    axes[rows - 1].set_xlabel("time since the first loop, h")
    return figure


def _bars(axes: Any, x: Any, y: Any, u: float) -> None:
    axes.errorbar(
        x, y, yerr=u, color=_MAIN["color"], marker=_MAIN["marker"], markersize=4, linestyle="none",
        linewidth=0.9,
    )  # fmt: skip


def _conclusion(c: Coefficient) -> str:
    words = f"temperature coefficient of the {FIGURE_NAMES[c.figure].words}"
    if c.value is None:
        return f"{capital(words)}: not determined. {c.why}"
    assert c.u is not None
    value, u = 100.0 * c.value, 100.0 * c.u
    return f"{capital(words)}: {rounded(value, u)} %/K (u = {rounded(u, u)} %/K), relative to 20 °C."


def _repeats(result: RepeatResult, units: str) -> list[str]:
    parts = []
    for r in result.repeatability:
        if r.figure in COEFFICIENTS:
            name = FIGURE_NAMES[r.figure]
            scatter = name.shown(r.scatter, units)
            part = f"{100 * r.scatter / abs(r.mean):.2g} %"
            parts.append(f"{name.printed} to {rounded(scatter, scatter)} {name.unit(units)} ({part})")
    if not parts:
        return []
    return [f"Apart from what goes with temperature and time a loop repeats {', '.join(parts)}."]


def _coefficient(c: Coefficient) -> dict[str, Any]:
    name = FIGURE_NAMES[c.figure]
    value, u, low, high, at_scatter, at_shared = (
        None if v is None else 100.0 * v for v in (c.value, c.u, c.low95, c.high95, c.u_scatter, c.u_shared)
    )
    at, u_at = (None if v is None else name.shown(v) for v in (c.at_reference, c.u_at_reference))
    return {
        "symbol": _SYMBOLS[c.symbol],
        "value": rounded(value, u),
        "u": rounded(u, u),
        "interval": f"{rounded(low, u)} … {rounded(high, u)}",
        "scatter": rounded(at_scatter, u),
        "shared": rounded(at_shared, u),
        "at": f"{rounded(at, u_at)} ± {rounded(u_at, u_at)} {name.unit()}",
        "most": "; ".join(f"{line.input} {100 * line.share:.0f} %" for line in c.budget[:3]),
    }


def _line(r: Any, units: str) -> dict[str, Any]:
    name = FIGURE_NAMES[r.figure]
    mean, scatter, expected = (name.shown(v, units) for v in (r.mean, r.scatter, r.expected))
    slope = "–"
    if r.per_hour is not None:
        u = name.shown(r.u_per_hour, units)
        slope = f"{rounded(name.shown(r.per_hour, units), u)} ± {rounded(u, u)}"
    return {
        "words": name.words,
        "symbol": name.html,
        "loops": r.loops,
        "mean": rounded(mean, scatter),
        "scatter": rounded(scatter, scatter),
        "percent": f"{100 * r.scatter / abs(r.mean):.2g}",
        "expected": rounded(expected, expected),
        "slope": slope,
        "unit": name.unit(units),
    }


def _heading(key: str, units: str) -> dict[str, str]:
    name = FIGURE_NAMES[key]
    return {"symbol": name.html, "printed": name.printed, "unit": name.unit(units)}


def _loops(result: RepeatResult, followed: list[str], units: str) -> list[dict[str, Any]]:
    scatter = {r.figure: r.scatter for r in result.repeatability}
    rows = []
    for loop, hour, degrees in zip(result.loops, result.hours, result.degrees, strict=True):
        cells = []
        for key in followed:
            name, f = FIGURE_NAMES[key], loop.figures.get(key)
            measured = f is not None and f.value is not None and f.status == "measured"
            value = name.shown(f.value, units) if measured else None  # type: ignore[union-attr]
            cells.append(rounded(value, name.shown(scatter[key], units) or None))
        time, warmth = (f"{v:.{n}f}" if v == v else "–" for v, n in ((hour, 2), (degrees, 1)))
        rows.append({"name": loop.name, "time": time, "warmth": warmth, "cells": cells})
    return rows
