"""One page each of what else a coil is for: its turns times area by hoops, and a sample by substitution."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..magnetostatics.current_loop import turn_area
from .calibration import page_of, table_of
from .output import page_file, write_page
from .style import BRANCH_STYLE, MUTED, new_figure, svg
from .wording import rounded

if TYPE_CHECKING:
    from ..calibration.hoops import TurnArea
    from ..calibration.substitution import Substitution
    from ..records.bench import Coil


def write_turn_area(area: TurnArea, coil: Coil | None, path: Path) -> None:
    """The page of a coil's turns times area by hoops, and by its sizes (those of the bench file's ``coil``)
    beside it: HTML or PDF by the path's ending. Raises InputError for another."""
    rows = [["in the field of the hoops", *_square_millimetres(area.value, area.u)]]
    if coil is not None:
        stated = turn_area(coil)
        by = "by its sizes" if coil.turn_area is None else "as the bench file states it"
        rows.append([by, *_square_millimetres(stated.value, stated.u)])
    body = f"""<section class="lead" aria-label="Conclusion">
<p>Turns times area of the coil: {rows[0][1]} mm², standard uncertainty {rows[0][2]} mm² ({rows[0][3]} %).</p>
</section>
<h2>What it is made of</h2>
{_budget(area.budget, "Parts of the standard uncertainty, of turns times area.")}
<h2>Beside what was known</h2>
{table_of("The smaller uncertainty is the one to use.", ("turns times area", "mm²", "u", "u /%"), rows)}"""
    meta = "Voltage of the coil in the alternating field midway between a pair of hoops."
    write_page(page_file(path), page_of("Turns times area of a coil", meta, body))


def write_substitution(found: Substitution, path: Path) -> None:
    """The page of a sample weighed against the coil; as ``write_turn_area``."""
    figure, axes = new_figure(height=3.4)
    axes.axhline(0, color=MUTED, linewidth=0.8)
    for sign, branch, label in ((1, "descending", "marked face up"), (-1, "ascending", "marked face down")):
        its, style = found.orientation == sign, BRANCH_STYLE[branch]
        if its.any():
            axes.errorbar(
                found.H_applied[its] / 1e3,
                found.M[its] / 1e3,
                2 * found.u[its] / 1e3,
                color=style["color"],
                marker=style["marker"],
                linestyle="none",
                label=label,
            )
    axes.set_xlabel("applied field, mean over the sample, kA/m")
    axes.set_ylabel("magnetisation, kA/m")
    axes.legend()
    columns = (
        found.gap * 1e3,
        found.orientation,
        found.H_applied / 1e3,
        found.M / 1e3,
        found.u / 1e3,
        found.own / 1e3,
    )
    rows = [
        [str(row), f"{gap:.2f}", f"{side:+.0f}", f"{H:.1f}", rounded(M, u), rounded(u, u), rounded(own, own)]
        for row, gap, side, H, M, u, own in zip(found.row, *np.array(columns).tolist(), strict=True)
    ]
    left_out = ""
    if found.left_out:
        numbers = ", ".join(map(str, found.left_out))
        left_out = f'<p class="warning">Rows {numbers}: outside the places where the winding was.</p>'
    shared = _budget(
        found.budget,
        "Parts of the standard uncertainty, of M. Neither the magnet's strength nor the contact gap, gravity "
        "or the balance's span is among them.",
    )
    table = table_of(
        "M along the sample's own axis. Own: the part of u that is the row's. H is by the bench file.",
        ("row", "gap /mm", "way up", "H /(kA/m)", "M /(kA/m)", "u", "own"),
        rows,
    )
    body = f"""<section class="lead" aria-label="Conclusion">
<p>Magnetisation at {len(rows)} readings; what they share is known to {100 * found.common:.2g} %.</p>
</section>
<figure role="img" aria-label="Magnetisation over the applied field">{svg(figure)}
<figcaption>Bars: two standard uncertainties.</figcaption></figure>
<h2>What all rows share</h2>
{shared}
<h2>Row by row</h2>
{table}
{left_out}"""
    meta = f"{found.sample}: sample and coil of known current at the same places."
    write_page(page_file(path), page_of("Magnetisation by substitution", meta, body))


def _budget(parts: Mapping[str, float], caption: str) -> str:
    whole = float(np.hypot.reduce(list(parts.values())))
    rows = [[name, f"{100 * part:.3f}"] for name, part in sorted(parts.items(), key=lambda item: -item[1])]
    return table_of(caption, ("part", "share /%"), [*rows, ["together", f"{100 * whole:.3f}"]])


def _square_millimetres(value: float, u: float) -> list[str]:
    return [rounded(value * 1e6, u * 1e6), rounded(u * 1e6, u * 1e6), f"{100 * u / value:.2f}"]
