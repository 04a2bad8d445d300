"""How the report's drawings look: one place for colours, marks and the writing of SVG."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Branches differ by colour, by mark and by line, so that no reader depends on colour alone.
BRANCH_STYLE: dict[str, dict[str, Any]] = {
    "first": {"color": "#7a7a72", "marker": "x", "linestyle": ":"},
    "descending": {"color": "#14506b", "marker": "o", "linestyle": "-"},
    "ascending": {"color": "#a8481c", "marker": "s", "linestyle": "--"},
}
BRANCH_WORDS = {"first": "first curve", "descending": "descending branch", "ascending": "ascending branch"}
MUTED = "#8b8b83"
WARNING = "#7d1f5a"

_RC: Any = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#55554f",
    "axes.grid": True,
    "grid.color": "#e4e2da",
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "svg.fonttype": "none",  # text stays text: searchable, and read by a screen reader
    "svg.hashsalt": "weighloop",  # the same data give the same bytes
}


def new_figure(
    width: float = 6.4, height: float = 4.2, rows: int = 1, columns: int = 1
) -> tuple[Figure, Any]:
    """A figure and its axes, without pyplot's global state; axes in one column share what they are over."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with rc_context(_RC):
        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.subplots(rows, columns, sharex=rows > 1 and columns == 1)
    return figure, axes


def svg(figure: Figure) -> str:
    """The figure as an SVG element to stand inside HTML."""
    from matplotlib import rc_context

    out = io.StringIO()
    figure.align_ylabels()
    with rc_context(_RC):
        figure.savefig(out, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    text = out.getvalue()
    return text[text.index("<svg") :]


def save(figure: Figure, path: str) -> None:
    """The figure as a file; the name's ending (.svg, .png, .pdf) is the format."""
    from matplotlib import rc_context

    with rc_context(_RC):
        figure.savefig(path, dpi=160)
