"""Where the magnet's axis is, on one page: the coil's pull at each place, what moving the seat changes."""

from __future__ import annotations

import html
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .calibration import page_of, table_of
from .output import page_file, write_page
from .style import BRANCH_STYLE, MUTED, new_figure, svg
from .wording import rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..calibration.axis import AxisFound
    from ..records.bench import Bench

_PLACE, _AXIS = BRANCH_STYLE["descending"], BRANCH_STYLE["ascending"]


def write_axis(found: AxisFound, bench: Bench, source: str, path: Path) -> None:
    """Write the page of a scan named ``source`` over ``bench``: HTML or PDF by the path's ending. Raises
    InputError for another."""
    known = [(name, at) for name, at in (("x", found.x), ("y", found.y)) if at is not None]
    places = " and ".join(f"{name} = {_mm(at.value, at.u)}" for name, at in known)
    off, cross = float(np.hypot.reduce([at.value for _, at in known])), ""
    if len(known) == 2:
        places += f", {_mm(off, found.u)} from where the seat's coordinates begin"
        cross = "The cross on the map is the axis, its bars likewise."
    advice, *lines = found.advice
    for_file = "".join("<pre>" + html.escape(line).replace("] ", "]\n", 1) + "</pre>" for line in lines)
    body = f"""<section class="lead" aria-label="Conclusion">
<p>The magnet's axis is at {places}.</p>
</section>
<figure role="img" aria-label="Pull at each place">{svg(axis_drawn(found))}
<figcaption>Change of the coil's pull, by that on the axis. Bars: two standard uncertainties.
{cross}</figcaption></figure>
<h2>What it changes</h2>
{_changes(found, bench, off)}
<p>{html.escape(advice)}</p>
{for_file}
<h2>Place by place</h2>
{_places(found)}"""
    meta = f"By {source}: the coil moved sideways, at one height, with both directions of its current."
    write_page(page_file(path), page_of("The magnet's axis", meta, body))


def axis_drawn(found: AxisFound) -> Figure:
    """The change of the pull at each place, by the distance from the axis and, of a scan along both, on a
    map."""
    if found.x is None or found.y is None:
        figure, axes = new_figure(height=3.2)
    else:
        figure, (chart, axes) = new_figure(width=7.2, height=3.6, columns=2)
        _map(chart, found)
    r = found.away * 1e3
    change, u = _change(found)
    fine = np.linspace(0.0, 1.1 * r.max(), 100)
    axes.plot(fine, 100 * found.pulls.bend * (fine * 1e-3) ** 2, color=MUTED, linewidth=1.0, label="parabola")
    axes.errorbar(
        r, change, 2 * u, color=_PLACE["color"], marker=_PLACE["marker"], linestyle="none", label="weighed"
    )
    axes.set_xlabel("distance from the axis, mm")
    axes.set_ylabel("change of the pull, %")
    axes.legend()
    return figure


def _map(axes: Any, found: AxisFound) -> None:
    x, y = found.x, found.y
    assert x is not None
    assert y is not None
    at = found.pulls.places * 1e3
    change, _ = _change(found)
    axes.scatter(*at.T, color=_PLACE["color"], marker=_PLACE["marker"], s=18)
    for place in np.unique(np.round(at, 6), axis=0):
        here = np.all(np.abs(at - place) < 1e-5, axis=1)
        mean = float(np.mean(change[here]))
        axes.annotate(
            f"{mean:+.2f} %", place, xytext=(0, 6), textcoords="offset points", ha="center", fontsize=8
        )
    axes.errorbar(
        1e3 * x.value, 1e3 * y.value, 2e3 * y.u, 2e3 * x.u, color=_AXIS["color"], marker="+", markersize=11,
        label="axis",
    )  # fmt: skip
    axes.set_aspect("equal")
    axes.margins(0.25)
    axes.set_xlabel("x, mm")
    axes.set_ylabel("y, mm")
    axes.legend(loc="lower right")


def _changes(found: AxisFound, bench: Bench, off: float) -> str:
    """Offset and what it does to the pull at this height: as stated, as found, and once moved there."""
    stated = bench.sample.offset
    columns = [(stated.value, stated.u), (off, found.u), (0.0, found.u)]
    # Of a squared distance the mean is its mean squared and the variance (both sides' together).
    pull = [100 * found.pulls.bend * (value**2 + u**2) for value, u in columns]
    return table_of(
        "Distance of coil and sample from the magnet's axis, and by how much it changes the coil's pull at "
        "this height in the mean.",
        ("", "as the bench file states", "as the seat stands", "once it stands on the axis"),
        [
            ["distance", *(_mm(value, u) for value, u in columns)],
            ["change of the pull", *(f"{change + 0.0:+.3f} %" for change in pull)],
        ],
    )


def _places(found: AxisFound) -> str:
    p = found.pulls
    change, u = _change(found)
    columns = (*(1e3 * p.places).T, 1e3 * p.kg_per_A, 1e3 * p.u, change, u, 100 * p.bend * found.away**2)
    rows = [
        [f"{x:.2f}", f"{y:.2f}", rounded(pull, own), f"{off:+.3f}", f"{its:.3f}", f"{fit:+.3f}"]
        for x, y, pull, own, off, its, fit in zip(*(c.tolist() for c in columns), strict=True)
    ]
    return table_of(
        "Weighed at each place, in the order taken.",
        ("x /mm", "y /mm", "pull /(g/A)", "change /%", "u /%", "parabola /%"),
        rows,
    )


def _change(found: AxisFound) -> tuple[Any, Any]:
    """By how much the pull at each place differs from that on the axis, and u, both (n,) in %."""
    p = found.pulls
    return 100 * (p.kg_per_A / p.on_axis - 1), 100 * p.u / p.on_axis


def _mm(value: float, u: float) -> str:
    return f"{rounded(1e3 * value, 1e3 * u)} mm (u {rounded(1e3 * u, 1e3 * u)} mm)"
