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
    rows: list[list[str]] = []
    reasons: dict[str, list[str]] = {}
    for key, name in names.items():
        figure = figures.get(key)
        if figure is None:
            continue
        numbers = [
            None if v is None else name.shown(v, units) for v in (figure.value, figure.low95, figure.high95)
        ]
        u = None if figure.u is None else name.shown(figure.u, units)
        value, low, high = (like(number, u) for number in numbers)
        at_most = figure.low95 is None and figure.high95 is not None
        limit = "at most" if at_most else "at least"
        shown = f"{limit} {value}" if figure.status == "bound" else value
        interval = "-" if low == "-" or high == "-" else f"{low} .. {high}"
        rows.append(
            [name.words, name.printed, shown, significant(u, 2), interval, name.unit(units), figure.status]
        )
        if figure.why:
            reasons.setdefault(figure.why, []).append(name.printed)
    out = table(["figure", "symbol", "value", "u", "95 % interval", "unit", "status"], rows)
    said = [*notes, *(f"{', '.join(symbols)}: {why}" for why, symbols in reasons.items())]
    return "\n".join([out, "", *said]) if said else out
