"""Figures as a table on the command line, whatever they are of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from ..common import like, significant, table

if TYPE_CHECKING:
    from ....analysis.figures.names import FigureName
    from ....analysis.figures.uncertainty import FigureResult


def figure_rows(
    figures: Mapping[str, FigureResult],
    names: Mapping[str, FigureName],
    units: str = "si",
    notes: Sequence[str] = (),
) -> str:
    """Figures as people read them: value, standard uncertainty, 95 % interval, status; below them the notes
    and what is to be said of some."""
    from ....analysis.figures.names import rows_of, side_of_bound

    rows: list[list[str]] = []
    reasons: dict[str, list[str]] = {}
    for of in rows_of(figures, names, units):
        u, status, symbol = of["u"], of["status"], names[of["key"]].printed
        value, low, high = (like(of[part], u) for part in ("value", "low95", "high95"))
        shown = f"{side_of_bound(of['low95'], of['high95'])} {value}" if status == "bound" else value
        interval = "-" if low == "-" or high == "-" else f"{low} .. {high}"
        rows.append([of["name"], symbol, shown, significant(u, 2), interval, of["unit"], status])
        if of["why"]:
            reasons.setdefault(of["why"], []).append(symbol)
    out = table(["figure", "symbol", "value", "u", "95 % interval", "unit", "status"], rows)
    said = [*notes, *(f"{', '.join(symbols)}: {why}" for why, symbols in reasons.items())]
    return "\n".join([out, "", *said]) if said else out
