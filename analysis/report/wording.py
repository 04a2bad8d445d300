"""The report's conclusion in words: what this sample is, what could not be determined and why."""

from __future__ import annotations

from math import floor, log10
from typing import Any

from ..figures.names import FIGURE_NAMES, FigureName, side_of_bound

#: Figures named in the conclusion, in this order.
LEADING = ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3")


def rounded(value: float | None, u: float | None = None) -> str:
    """A value to the place of its uncertainty's second digit (JCGM 100:2008, 7.2.6), else to four digits."""
    if value is None:
        return "–"
    if value == 0:
        return "0"
    place = floor(log10(u)) - 1 if u else floor(log10(abs(value))) - 3
    # Adding zero takes the sign off a value that is zero as shown.
    return f"{round(value, -place) + 0.0:.{max(0, -place)}f}".replace("-", "−")


def capital(text: str) -> str:
    """The beginning of a sentence; symbols within keep their letters."""
    return text[:1].upper() + text[1:]


def figure_in_words(key: str, figure: dict[str, Any], units: str = "si") -> str:
    """One figure as a clause, such as ``coercivity of M (HcJ) 91.2 kA/m, u = 0.4 kA/m``."""
    name = FIGURE_NAMES[key]
    if figure["status"] == "not determined" or figure["value"] is None:
        return f"{name.words} ({name.printed}) not determined"
    return f"{name.words} {name.printed} {value_in_words(name, figure, units)}"


def value_in_words(name: FigureName, figure: dict[str, Any], units: str = "si") -> str:
    """What one figure came to: ``91.2 kA/m (u = 0.4 kA/m)``, ``at least 91.2 kA/m``, ``not determined``."""
    if figure["status"] == "not determined" or figure["value"] is None:
        return "not determined"
    u = None if figure["u"] is None else name.shown(figure["u"], units)
    value, unit = rounded(name.shown(figure["value"], units), u), name.unit(units)
    spread = f" (u = {' '.join(filter(None, (rounded(u, u), unit)))})" if u else ""
    return " ".join(filter(None, (f"{limit(figure)}{value}", unit))) + spread


def limit(figure: dict[str, Any]) -> str:
    """What stands before a value: nothing where it is no bound."""
    if figure["status"] != "bound":
        return ""
    return f"{side_of_bound(figure['low95'], figure['high95'])} "


def conclusion(
    sample: str, data: dict[str, Any], notes: dict[str, str], closest_mm: float, units: str = "si"
) -> list[str]:
    """The sentences for a reader who reads nothing else: what the sample is, what is only a bound or could
    not be determined (the reasons stand once, under the figures, by their marks in ``notes``), what to do
    about it."""
    figures, warnings = data["figures"], data["warnings"]
    leading = [figure_in_words(key, figures[key], units) for key in LEADING if key in figures]
    sentences = [f"Sample {sample}: " + "; ".join(leading) + "."]
    for status, words in (("bound", "Only a lower bound"), ("not determined", "Not determined")):
        listed = [
            f"{FIGURE_NAMES[key].words} ({notes.get(figures[key]['why'] or '', '-')})"
            for key in FIGURE_NAMES
            if key in figures and figures[key]["status"] == status
        ]
        if listed:
            sentences.append(f"{words}: {', '.join(listed)}.")
    if todo := advice(data, closest_mm):
        sentences.append("What would help: " + "; ".join(todo) + ".")
    if count := len(warnings):
        codes = ", ".join(sorted({warning["code"] for warning in warnings}))
        sentences.append(f"{count} warning{'s' if count > 1 else ''} should be read first ({codes}).")
    return sentences


def advice(data: dict[str, Any], closest_mm: float) -> list[str]:
    """What would turn bounds into figures, and what would narrow the uncertainty most; each a clause."""
    figures, codes = data["figures"], {warning["code"] for warning in data["warnings"]}
    nearer = f"a stronger reference magnet, or a closest gap below {closest_mm:.2g} mm"
    todo = []
    if "not-saturated" in codes:
        todo.append(f"{nearer}, would take the sample nearer to saturation")
    elif figures.get("saturation_A_per_m", {}).get("status") == "bound":
        todo.append(f"for the saturation {nearer}")
    if figures.get("coercivity_HcJ_A_per_m", {}).get("status") == "bound" and "not-saturated" not in codes:
        todo.append(f"for HcJ {nearer}: the reverse field did not reach it")
    most: dict[str, list[str]] = {}
    for key in LEADING:
        lines = data["budget"].get(key) or []
        if figures.get(key, {}).get("status") == "measured" and lines:
            line = max(lines, key=lambda line: line["share"])
            most.setdefault(line["input"], []).append(
                f"{100 * line['share']:.0f} % of u² of {FIGURE_NAMES[key].printed}"
            )
    return todo + [f"to know the {name} better ({', '.join(shares)})" for name, shares in most.items()]
