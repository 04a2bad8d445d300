"""What a run of another programme than the loop gives, as people read it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..common import like, significant, table
from .figure_rows import figure_rows

if TYPE_CHECKING:
    from ....analysis.programmes.results import Found, ProgrammeResult

#: Of a family of curves this many rows are printed.
SHOWN = 12


def programme_table(result: ProgrammeResult) -> str:
    """What a run of another programme than the loop gave, as people read it: its curves, its figures."""
    parts = [numbers_table(result)]
    if curves := _curves(result.found):
        parts.insert(0, curves)
    if result.why_not is not None:
        why = f"Not determined. {result.why_not}"
        parts.insert(0, f"{why} What follows is what the fit makes of them all the same." if curves else why)
    return "\n\n".join(parts)


def numbers_table(result: ProgrammeResult) -> str:
    """The main numbers with their uncertainties and what is to be said of them."""
    from ....analysis.programmes.names import NAMES

    return "\n\n".join(filter(None, (figure_rows(result.figures, NAMES), _about(result.found))))


def _about(found: Found) -> str:
    """What the figures leave out."""
    import numpy as np

    from ....analysis.programmes.curves import ReversalResult
    from ....analysis.programmes.decay import DecayResult

    if isinstance(found, DecayResult):
        field, hours = significant(found.H / 1e3, 3), significant(found.t[-1] / 3600.0, 2)
        return (
            f"Held in an applied field of {field} kA/m: {len(found.t)} readings in {hours} h. "
            f"{100 * found.drift_part**2:.0f} % of the variance of S is what the balance's drift could be."
        )
    if not isinstance(found, ReversalResult):
        return ""
    known, places = int(np.sum(found.known)), int(np.isfinite(found.density).sum())
    share = f"{100 * found.known_share:.0f} %"
    return (
        f"{len(found.curves.H)} reversal curves; {known} of {places} places of the distribution are known, "
        f"with {share} of it. `report` draws curves and map, --json has them in numbers."
    )


def _curves(found: Found) -> str:
    """Curves in numbers, rows evenly picked; empty where there are too many."""
    from ....analysis.programmes.columns import columns, headings

    shown = columns(found)
    if not shown:
        return ""
    rows = []
    count = len(shown[0].values)
    for i in range(0, count, max(1, -(-count // SHOWN))):
        row = []
        for c in shown:
            v = float(c.values[i])
            row += [significant(v, 3)] if c.u is None else [like(v, u := float(c.u[i])), significant(u, 2)]
        rows.append(row)
    return table(headings(shown), rows)
