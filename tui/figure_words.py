"""The loop figures in words for a person: symbol, value with its uncertainty, interval, status."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any, Final

from rich.text import Text

from ..analysis.figures.names import FIGURE_NAMES, FigureName, side_of_bound
from ..analysis.programmes.names import NAMES
from .format import NONE, interval, with_uncertainty

#: The figures that stand where there is room for few.
MAIN: Final = (
    "remanence_A_per_m",
    "coercivity_HcJ_A_per_m",
    "coercivity_HcB_A_per_m",
    "BHmax_J_per_m3",
    "saturation_A_per_m",
)

#: What stands before a bound, by the side on which the true value is.
SIGNS: Final = {"at least": "≥", "at most": "≤"}

#: Subscripts that Unicode has as characters of their own; it has none for the c of HcJ.
_SUBSCRIPTS: Final = {"max": "ₘₐₓ", "r": "ᵣ", "s": "ₛ", "k": "ₖ"}


def name_of(key: str) -> FigureName:
    """A figure's name; one that nobody named yet is called by its key, in SI. Of loops that were run together
    its temperature coefficient and the scatter of a loop ("coefficient KEY", "scatter KEY")."""
    plain, (what, _, figure) = ("", 1.0), key.partition(" ")
    if what == "coefficient":
        symbol = "Br" if figure == "remanence_A_per_m" else name_of(figure).printed
        words, percent = f"temp. coefficient of {symbol}", ("%/K", 1e-2)
        return FigureName(words, f"α({symbol})", percent, percent)
    if what == "scatter":
        name = name_of(figure)
        return replace(name, words=f"scatter of {name.printed}")
    return FIGURE_NAMES.get(key) or NAMES.get(key) or FigureName(key.replace("_", " "), key, plain, plain)


def symbol_of(key: str) -> str:
    """A figure's symbol as a terminal can show it: ``(BH)ₘₐₓ``, ``Mᵣ``."""

    def lowered(found: re.Match[str]) -> str:
        return found[1] + _SUBSCRIPTS[found[2]]

    return re.sub(r"(M|H|σ|\(BH\))(max|r|s|k)(?![a-zA-Z])", lowered, name_of(key).printed)


def main_figures(result: Any) -> dict[str, str]:
    """The main figures of a result in a cell each, by key; those that it has."""
    return {key: short_cell(key, result.figures[key]) for key in MAIN if key in result.figures}


def short_cell(key: str, figure: Any) -> str:
    """Value and uncertainty of one figure, or its bound, or that there is none."""
    if figure is None or figure.value is None or figure.status == "not determined":
        return NONE
    scale = name_of(key).si[1]
    text = with_uncertainty(figure.value / scale, None if figure.u is None else figure.u / scale)
    sign = SIGNS[side_of_bound(figure.low95, figure.high95)]
    return f"{sign} {text.partition(' ±')[0]}" if figure.status == "bound" else text


def figure_cells(key: str, figure: Any) -> tuple[Text, ...]:
    """One row: name, value, unit, interval, status; a bound is never shown as a value."""
    name = name_of(key)
    unit, scale = name.si

    def shown(value: float | None) -> float | None:
        return None if value is None else value / scale

    value = with_uncertainty(shown(figure.value), shown(figure.u))
    between = interval(shown(figure.low95), shown(figure.high95), shown(figure.u))
    if figure.status == "bound" and figure.value is not None:
        between = side_of_bound(figure.low95, figure.high95)
        value = f"{SIGNS[between]} {value.partition(' ±')[0]}"
    if figure.status == "not determined":
        value, unit, between = NONE, "", NONE
    style = "" if figure.status == "measured" else "dim"
    return (
        Text(f" {name.words}", no_wrap=True, overflow="ellipsis"),
        Text(value, style=style or "bold", justify="right"),
        Text(f" {unit}", style=style),
        Text(between, style=style, justify="right"),
        Text(f" {figure.status}", style=style),
    )
