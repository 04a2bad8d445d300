"""The morning's page: what a list of runs did while nobody was there, and how the figures went."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..comparison import trend_of
from ..figures.names import FIGURE_NAMES
from .output import filled, page_file, write_page
from .page import versions
from .style import BRANCH_STYLE, MUTED, WARNING, new_figure, svg
from .wording import LEADING, rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import LoopResult

#: A trend is given from this many runs on.
_FEWEST = 3


def write_night(night: dict[str, Any], results: dict[int, LoopResult], path: str | Path) -> None:
    """Write the page of a ``night`` (``weighloop night --json``'s "night") to ``path``, whole or not at all.

    ``results`` are the analysed runs by number.
    """
    target = page_file(path)
    runs = night["runs"]
    ended = next((run["ended_utc"] for run in reversed(runs) if run["ended_utc"]), None)
    drawings = [_figures_drawing(runs, results), _bench_drawing(runs)]
    page = filled(
        "night.html",
        title=f"Runs {runs[0]['id']} to {runs[-1]['id']}" if len(runs) > 1 else f"Run {runs[0]['id']}",
        samples=", ".join(dict.fromkeys(run["sample"] for run in runs)),
        span=f"{_time(runs[0]['started_utc'])} to {_time(ended)} UTC",
        conclusion=conclusion(night),
        trends=_trends(results),
        drawings=[{"svg": svg(drawn), "alt": alt} for drawn, alt in drawings if drawn is not None],
        holds=[
            {"run": run["id"], "time": _time(hold["utc"]), "why": hold["why"], "end": _ended(hold)}
            for run in runs
            for hold in run["holds"]
        ],
        aside=sorted(_aside(runs).items(), key=lambda item: -item[1]),
        symbols=[(FIGURE_NAMES[key].html, FIGURE_NAMES[key].unit()) for key in LEADING],
        runs=[_row(run, results.get(run["id"])) for run in runs],
        versions=versions(),
    )
    write_page(target, page)


def conclusion(night: dict[str, Any]) -> list[str]:
    """What happened, in sentences: runs, readings, hands, holds."""
    runs = night["runs"]
    states = Counter(run["state"] for run in runs)
    begun = [run for run in runs if run["started_utc"]]
    readings, used = (sum(run[key] for run in begun) for key in ("readings", "in_use"))
    hands, turns = (sum(run[key] for run in begun) for key in ("hands", "turns"))
    holds = [hold for run in begun for hold in run["holds"]]
    alone = sum(hold["end"] == "went on by itself" for hold in holds)
    parts = [f"{count} {state}" for state, count in states.items()]
    sentences = [
        f"Of {len(runs)} run{'s' if len(runs) > 1 else ''}: {', '.join(parts)}.",
        f"{readings} readings were taken, {readings - used} of them set aside; the sample was turned over "
        f"{turns} times by the lift, and a person's hands were needed "
        + (f"{hands} times." if hands else "never."),
    ]
    if holds:
        sentences.append(
            f"The runs were held {len(holds)} time{'s' if len(holds) > 1 else ''}; {alone} of these went on "
            "by themselves."
        )
    else:
        sentences.append("No run was held.")
    if (last := next((run for run in runs if run["state"] == "held"), None)) is not None:
        sentences.append(f"Run {last['id']} is held still: {last['why']}.")
    left = [run for run in runs if run["state"] == "stopped" and not run["started_utc"]]
    if left:
        sentences.append(f"{len(left)} were not begun: {left[0]['why']}.")
    return sentences


def _aside(runs: Sequence[dict[str, Any]]) -> Counter[str]:
    total: Counter[str] = Counter()
    for run in runs:
        total.update(run["set_aside"])
    return total


def _ended(hold: dict[str, Any]) -> str:
    seconds = hold["seconds"]
    return hold["end"] if seconds is None else f"{hold['end']} after {_duration(seconds)}"


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _time(utc: str | None) -> str:
    return "–" if utc is None else utc[:16].replace("T", " ")


def _row(run: dict[str, Any], result: LoopResult | None) -> dict[str, Any]:
    cells = []
    for key in LEADING:
        name, figure = FIGURE_NAMES[key], None if result is None else result.figures.get(key)
        if figure is None or figure.value is None:
            cells.append("–")
            continue
        u = None if figure.u is None else name.shown(figure.u)
        bound = "≥ " if figure.status == "bound" else ""
        cells.append(f"{bound}{rounded(name.shown(figure.value), u)}" + (f" ± {rounded(u, u)}" if u else ""))
    moved = run["zero_moved_kg"] * 1e6
    warmth = run["temperature_K"]
    return {
        "id": run["id"],
        "state": run["state"],
        "why": run["why"],
        "started": _time(run["started_utc"]),
        "readings": f"{run['in_use']} of {run['readings']}" if run["readings"] else "–",
        "holds": len(run["holds"]),
        "zero": f"{moved:.1f}" if run["zeros_kg"] else "–",
        "warmth": "–" if warmth is None else f"{sum(warmth) / 2 - 273.15:.1f}",
        "cells": cells,
    }


def _trends(results: dict[int, LoopResult]) -> list[dict[str, str]]:
    """How each leading figure goes from run to run, where enough runs have it."""
    rows = []
    for key in LEADING:
        having = [r for r in results.values() if key in r.figures and r.figures[key].status == "measured"]
        if len(having) < _FEWEST:
            continue
        name, found = FIGURE_NAMES[key], trend_of(key, having)
        slope, u, low, high = (name.shown(v) for v in (found.per_run, found.u, found.low95, found.high95))
        verdict = "no trend seen" if not found.goes else "rises" if slope > 0 else "falls"
        rows.append(
            {
                "words": name.words,
                "symbol": name.html,
                "runs": str(found.runs),
                "slope": f"{rounded(slope, u)} ± {rounded(u, u)}",
                "interval": f"{rounded(low, u)} … {rounded(high, u)}",
                "unit": name.unit() or "1",
                "verdict": verdict,
            }
        )
    return rows


def _figures_drawing(
    runs: Sequence[dict[str, Any]], results: dict[int, LoopResult]
) -> tuple[Figure | None, str]:
    """Each leading figure, run by run, with its standard uncertainty."""
    keys = [key for key in LEADING if any(_value(r, key) is not None for r in results.values())]
    if not keys:
        return None, ""
    figure, axes = new_figure(height=1.35 * max(len(keys), 2) + 0.5, rows=max(len(keys), 2))
    look = BRANCH_STYLE["descending"]
    for key, ax in zip(keys, axes, strict=False):
        name = FIGURE_NAMES[key]
        for number, result in results.items():
            if (value := _value(result, key)) is None:
                continue
            found = result.figures[key]
            u = 0.0 if found.u is None else name.shown(found.u)
            mark = "^" if found.status == "bound" else look["marker"]
            ax.errorbar(number, name.shown(value), yerr=u, color=look["color"], marker=mark, markersize=4)
        ax.set_ylabel(f"{name.printed}, {name.unit()}" if name.unit() else name.printed)
    axes[len(keys) - 1].set_xlabel("run")
    axes[0].xaxis.get_major_locator().set_params(integer=True)
    alt = "The leading figures run by run, with their standard uncertainty; what the bench file is off by is "
    return figure, alt + "common to all runs of one bench (triangle: a lower bound)."


def _value(result: LoopResult, key: str) -> float | None:
    found = result.figures.get(key)
    return None if found is None else found.value


def _bench_drawing(runs: Sequence[dict[str, Any]]) -> tuple[Figure | None, str]:
    """Zero and temperature, run by run, and where a run was held."""
    shown = [run for run in runs if run["zeros_kg"]]
    if not shown:
        return None, ""
    warm = [run for run in shown if run["temperature_K"]]
    figure, axes = new_figure(height=3.6, rows=2)
    for run in shown:
        values = [zero * 1e6 for zero in run["zeros_kg"]]
        places = [run["id"] + 0.8 * i / len(values) for i in range(len(values))]
        axes[0].plot(places, values, color=BRANCH_STYLE["descending"]["color"], marker="o", markersize=2.5)
        if run["holds"]:
            axes[0].axvline(run["id"], color=WARNING, linewidth=0.8, linestyle=":")
    for run in warm:
        low, high = (kelvin - 273.15 for kelvin in run["temperature_K"])
        axes[1].vlines(run["id"], low, high, color=BRANCH_STYLE["ascending"]["color"], linewidth=2)
    axes[0].set_ylabel("zero, mg")
    axes[1].set_ylabel("temperature, °C")
    if not warm:
        axes[1].text(0.5, 0.5, "not measured", color=MUTED, ha="center", transform=axes[1].transAxes)
    axes[1].set_xlabel("run")
    axes[0].xaxis.get_major_locator().set_params(integer=True)
    return figure, "The zero of the balance through each run, and the temperature; dotted: the run was held."
