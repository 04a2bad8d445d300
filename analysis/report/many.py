"""The page of many runs: distributions, the batch, and a table that can be sorted, outliers first."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..figures.names import FIGURE_NAMES
from .output import filled, page_file, write_page
from .page import versions
from .style import new_figure, svg
from .wording import capital, rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..comparison import Batch
    from ..many_runs import ManyRuns

#: This many robust standard deviations from the others a run is worth a look (ISO 13528: a warning signal).
_FAR = 2.0


def write_many(found: ManyRuns, path: str | Path) -> None:
    """Write the page of many runs to ``path`` as one file, whole or not at all."""
    from ..many_runs import LEADING

    target = page_file(path)
    cells = {line["figure"]: line["runs"] for line in found.comparison.table}
    shown = [key for key in LEADING if key in cells]
    page = filled(
        "many.html",
        count=len(found.order),
        conclusion=_conclusion(found),
        spread=svg(histograms(found, shown)),
        spread_alt="How many samples have which value of each figure, of those in which it was measured.",
        shared=found.comparison.text,
        batch=[_batch(b) for b in found.comparison.batch],
        columns=[{"symbol": FIGURE_NAMES[key].html, "unit": FIGURE_NAMES[key].unit()} for key in shown],
        rows=[
            {
                "name": run,
                "cells": [_cell(key, cells[key][run], found.distance[run].get(key)) for key in shown],
            }
            for run in found.order
        ],
        versions=versions(),
    )
    write_page(target, page)


def histograms(found: ManyRuns, shown: list[str]) -> Figure:
    """One histogram a figure, of the runs in which it was measured."""
    lines = {line["figure"]: line["runs"].values() for line in found.comparison.table}
    rows = max((len(shown) + 1) // 2, 1)
    figure, axes = new_figure(width=8.8, height=2.4 * rows, rows=rows, columns=2)
    for ax in axes.flat[len(shown) :]:
        ax.remove()
    for key, ax in zip(shown, axes.flat, strict=False):
        name = FIGURE_NAMES[key]
        values = [name.shown(c["value"]) for c in lines[key] if c and c["status"] == "measured"]
        if len(values) > 1:
            ax.hist(values, bins=min(40, max(8, int(2 * len(values) ** 0.5))), color="#14506b")
        ax.set_xlabel(f"{name.printed}, {name.unit()}")
        ax.set_ylabel("samples")
    return figure


def _conclusion(found: ManyRuns) -> list[str]:
    from ..many_runs import LEADING

    sentences = []
    for b in found.comparison.batch:
        if b.figure not in LEADING:
            continue
        name = FIGURE_NAMES[b.figure]
        mean, spread, u = (name.shown(v) for v in (b.mean, b.spread, b.u_mean))
        how = "more than measurement explains" if b.differ else "as measurement explains"
        sentences.append(
            f"{capital(name.words)}: {rounded(mean, u)} {name.unit()} in the mean (u = {rounded(u, u)}); the"
            f" samples spread by {rounded(spread, spread)} {name.unit()}, {how}."
        )
    far = [run for run in found.order if max(map(abs, found.distance[run].values()), default=0.0) > _FAR]
    if far:
        some = ", ".join(far[:6]) + (f" and {len(far) - 6} more" if len(far) > 6 else "")
        sentences.append(f"Standing apart by more than {_FAR:g} robust standard deviations: {some}.")
    else:
        sentences.append("No sample stands apart from the others.")
    return sentences


def _batch(b: Batch) -> dict[str, Any]:
    name = FIGURE_NAMES[b.figure]
    mean, u, spread, own = (name.shown(v) for v in (b.mean, b.u_mean, b.spread, b.u_own))
    texts = [str(b.runs), rounded(mean, u), rounded(u, u), rounded(spread, spread), rounded(own, own)]
    texts += [name.unit(), "different" if b.differ else "alike"]
    labels = ("samples", "mean", "u(mean)", "spread", "by measurement", "", "samples are")
    return {"words": name.words, "symbol": name.html, "cells": list(zip(labels, texts, strict=True))}


def _cell(key: str, cell: dict[str, Any] | None, far: float | None) -> dict[str, Any]:
    name = FIGURE_NAMES[key]
    shown: dict[str, Any] = {"label": name.printed, "value": "", "text": "–", "far": "", "far_text": "–"}
    shown["is_far"] = far is not None and abs(far) > _FAR
    if far is not None:
        shown |= {"far": f"{far:.6g}", "far_text": f"{far:+.1f}".replace("-", "\N{MINUS SIGN}")}
    if cell is not None and cell["value"] is not None:
        value, u = name.shown(cell["value"]), None if cell["u"] is None else name.shown(cell["u"])
        bound = "≥ " if cell["status"] == "bound" else ""
        text = bound + rounded(value, u) + (f" ± {rounded(u, u)}" if u else "")
        shown |= {"value": f"{value:.9g}", "text": text}
    return shown
