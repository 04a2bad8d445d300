"""The report's conclusion in words: what this sample is, what could not be determined and why."""

from __future__ import annotations

from math import floor, log10
from typing import Any

from ..figures.names import FIGURE_NAMES

#: Figures named in the conclusion, in this order.
_LEADING = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")


def rounded(value: float | None, u: float | None = None) -> str:
    """A value to the place of its uncertainty's second digit (JCGM 100:2008, 7.2.6), else to four digits."""
    if value is None:
        return "–"
    if value == 0:
        return "0"
    place = floor(log10(u)) - 1 if u else floor(log10(abs(value))) - 3
    # Adding zero takes the sign off a value that is zero as shown.
    return f"{round(value, -place) + 0.0:.{max(0, -place)}f}"


def capital(text: str) -> str:
    """The beginning of a sentence; symbols within keep their letters."""
    return text[:1].upper() + text[1:]


def figure_in_words(key: str, figure: dict[str, Any]) -> str:
    """One figure as a clause, such as ``coercivity of M (HcJ) 91.2 kA/m, u = 0.4 kA/m``."""
    name = FIGURE_NAMES[key]
    if figure["status"] == "not determined" or figure["value"] is None:
        return f"{name.words} ({name.symbol}) not determined"
    u = None if figure["u"] is None else name.shown(figure["u"])
    value = rounded(name.shown(figure["value"]), u)
    least = "at least " if figure["status"] == "bound" else ""
    spread = f" (u = {rounded(u, u)} {name.unit()})" if u else ""
    return f"{name.words} {name.symbol} {least}{value} {name.unit()}{spread}"


def conclusion(sample: str, figures: dict[str, dict[str, Any]], warnings: list[dict[str, Any]]) -> list[str]:
    """Two or three sentences for a reader who reads nothing else."""
    leading = [figure_in_words(key, figures[key]) for key in _LEADING if key in figures]
    sentences = [f"Sample {sample}: " + "; ".join(leading) + "."]
    sentences += [_therefore(reason, about) for reason, about in _by_reason(figures).items()]
    count = len(warnings)
    if count:
        codes = ", ".join(sorted({warning["code"] for warning in warnings}))
        sentences.append(f"{count} warning{'s' if count > 1 else ''} below should be read first ({codes}).")
    return sentences


def _by_reason(figures: dict[str, dict[str, Any]]) -> dict[str, dict[str, list[str]]]:
    """The figures that are not measured: names in words by status, under the reason they share.

    A reason that goes on where a shorter one ends belongs under the shorter.
    """
    short: dict[str, dict[str, list[str]]] = {}
    unsure = [key for key in figures if key in FIGURE_NAMES and figures[key]["status"] != "measured"]
    for why in sorted({figures[key]["why"] or "" for key in unsure}, key=len):
        if why and not any(why.startswith(reason) for reason in short):
            short[why] = {}
    for key in unsure:
        why = figures[key]["why"] or ""
        for reason in short:
            if why.startswith(reason):
                short[reason].setdefault(figures[key]["status"], []).append(FIGURE_NAMES[key].words)
                break
    return short


def _therefore(reason: str, about: dict[str, list[str]]) -> str:
    """A reason, and what follows from it for which figures."""
    clauses = []
    for status, names in about.items():
        several = len(names) > 1
        listed = f"{', '.join(names[:-1])} and {names[-1]}" if several else names[0]
        bound = "are only lower bounds" if several else "is only a lower bound"
        clauses.append(f"{listed} {bound if status == 'bound' else 'could not be determined'}")
    return f"{reason.rstrip('.')}. Therefore {'; '.join(clauses)}."
