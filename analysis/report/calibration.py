"""A calibration on one page: what it found, what it changes, and how well the readings are met."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..calibration.outcome import words
from ..calibration.settings import MODEL_FLOOR
from .output import filled, page_file, write_page
from .style import BRANCH_STYLE, MUTED, new_figure, svg
from .wording import rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..calibration.fit import Source
    from ..calibration.outcome import Calibration
    from ..records.arrays import Floats
    from ..records.bench import Bench

#: Unit, and its number by one SI unit, of what is fitted; the rest are lengths.
_UNITS = {
    "remanence": ("T", 1.0),
    "core_excess": ("%", 100.0),
    "scale": ("", 1.0),
    "turn_area": ("mm²", 1e6),
    "current_gain": ("", 1.0),
    "coil_offset": ("squared, by stated", 1.0),
    "moment": ("A·m²", 1.0),
    "probe_gain": ("", 1.0),
}


def residuals_drawn(height: Floats, found: Calibration) -> Figure:
    """The residuals (n,) over the heights (n,) in m."""
    figure, axes = new_figure(height=1.7)
    style = BRANCH_STYLE["descending"]
    axes.axhline(0, color=MUTED, linewidth=0.8)
    axes.plot(height * 1e3, found.residuals, color=style["color"], marker=style["marker"], linestyle="none")
    axes.set_xlabel("height above the closest position, mm")
    axes.set_ylabel("residual / u")
    axes.set_title(f"Residuals: {found.method}", fontsize=10)
    return figure


def write_calibration(
    found: Calibration, sources: Sequence[Source], bench: Bench, dates: tuple[str, str], path: Path
) -> None:
    """Write the page of a calibration of ``bench``, done and expiring on ``dates``: HTML or PDF by the
    path's ending. Raises InputError for another."""
    rows = []
    for name in found.names:
        unit, factor = _UNITS.get(name, ("mm", 1e3))
        stated, now = found.stated[name], found.found(name)
        cells = [shown for m in (stated, now) for shown in _shown(m.value * factor, m.u * factor)]
        pull = found.pulls.get(name)
        cells.append("–" if pull is None else f"{round(pull, 1) + 0.0:+.1f}")
        cells.append(unit)
        rows.append([words(name), *cells])
    changes = table_of(
        "Values and standard uncertainties, as stated before and as found. Of each reading "
        f"{100 * MODEL_FLOOR:.2g} % is taken for what two zones leave out of a magnet. Shift: in standard "
        "uncertainties of what was stated; beyond 3 the calibration is refused.",
        ("input", "stated", "u", "found", "u", "shift", "unit"),
        rows,
    )
    fit = "; ".join(
        f"{html.escape(s.method)}: {int(s.rows.sum())} readings, reduced chi-square "
        f"{found.chi_square[s.method]:.2f}"
        for s in sources
    )
    figure = residuals_drawn(np.concatenate([s.heights for s in sources]), found)
    warnings = "".join(f'<p class="warning">{html.escape(text)}</p>' for text in found.warnings)
    for_file = html.escape(found.bench_lines(bench, *dates).strip().replace("\n\n", "\n"))
    body = f"""<section class="lead" aria-label="Conclusion">
<p>Remanence of the reference magnet {_with_u(found.remanence.value, found.remanence.u)} T at 20 °C,
contact gap {_with_u(1e3 * found.contact.value, 1e3 * found.contact.u)} mm; their correlation is
{found.correlation:.3f}.</p></section>
<h2>What it changes</h2>
{changes}
<h2>How the readings are met</h2>
<p>{fit}. Above 2 the calibration is refused.</p>
<figure role="img" aria-label="Residuals over the heights">{svg(figure)}</figure>
{warnings}
<h2>For the bench file</h2>
<pre style="columns: 2 20rem; font-size: .7em; line-height: 1.25">{for_file}</pre>
"""
    meta = f"By {found.method}, at {found.temperature - 273.15:.1f} °C. Expires {dates[1]}."
    write_page(page_file(path), page_of(f"Calibration of the bench, {dates[0]}", meta, body))


def page_of(title: str, meta: str, body: str) -> str:
    """A page of its own: title and what is said under it (text), then its body (HTML)."""
    return filled("calibration.html", title=title, meta=meta, body=body)


def table_of(caption: str, headers: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table whose first column names the rows; texts, not HTML."""
    head = "".join(
        f'<th scope="col"{" class=left" * (k == 0)}>{html.escape(name)}</th>'
        for k, name in enumerate(headers)
    )
    lines = "".join(
        f'<tr><th scope="row" class="left">{html.escape(row[0])}</th>'
        + "".join(f"<td>{html.escape(cell)}</td>" for cell in row[1:])
        + "</tr>\n"
        for row in rows
    )
    return (
        f'<table class="whole"><caption>{html.escape(caption)}</caption>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{lines}</tbody></table>"
    )


def _shown(value: float, u: float) -> tuple[str, str]:
    return (rounded(value, u), rounded(u, u)) if u > 0 else (f"{value:.6g}", "–")


def _with_u(value: float, u: float) -> str:
    shown = _shown(value, u)
    return f"{shown[0]}, u {shown[1]}"
