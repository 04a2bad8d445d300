"""The page of another programme than the loop: what came of it first, then its figures and curves."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

import numpy as np

from ..programmes.columns import columns, headings
from ..programmes.decay import DecayResult
from ..programmes.names import NAMES
from . import programme_drawings as draw
from .output import filled, page_file, write_page
from .page import figure_row, versions
from .style import svg
from .wording import rounded, value_in_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..programmes.results import Found, ProgrammeResult

_TITLES = {
    "recoil": "Recoil curves",
    "remanence": "Remanence curves",
    "reversal": "Reversal curves",
    "decay": "Decay of magnetisation",
}
#: What each of the main numbers is, before it stands in the conclusion.
_LEADING = {
    "field_of_loss_A_per_m": "Internal reverse field that costs 5 % of the flux for good",
    "load_line_of_loss": "Load line −B/μ₀H on which that is lost",
    "recoil_permeability": "Recoil permeability",
    "remanence_A_per_m": "Saturation remanence Mr",
    "remanence_coercivity_A_per_m": "Remanence coercivity Hcr",
    "largest_difference": "Largest difference of the two remanence curves, in parts of Mr",
    "coercive_field_A_per_m": "Mean coercive field",
    "interaction_field_A_per_m": "Mean interaction field",
    "viscosity_A_per_m": "Coefficient of viscosity S, per e-fold of time",
}
#: What the sign of a number says, where its interval leaves that open to no doubt: below zero, above.
_SIGNS = {"largest_difference": ("the parts hinder one another", "the parts help one another")}


def write_programme(result: ProgrammeResult, path: str | Path, recompute: str = "") -> None:
    """Write the page to ``path`` as one file, whole or not at all."""
    target = page_file(path)
    figures = {key: asdict(figure) for key, figure in result.figures.items()}
    whys = dict.fromkeys(f["why"] for f in figures.values() if f["why"])
    notes = dict(zip(whys, ascii_lowercase, strict=False))
    page = filled(
        "programme.html",
        title=_TITLES[result.gives],
        sample=result.bench.sample.name,
        meta=_meta(result),
        conclusion=_conclusion(result, figures),
        figures=[figure_row(key, NAMES[key], figure, notes) for key, figure in figures.items()],
        notes=notes,
        draws=result.draws if result.history else None,
        drawings=[{"words": words, "svg": svg(drawing)} for words, drawing in _drawings(result)],
        curves=_table(result.found),
        warnings=[{"code": w.code, "text": w.text} for w in result.warnings],
        bench_text=result.bench.source_text.strip(),
        recompute=recompute,
        versions=versions(),
    )
    write_page(target, page)


def _meta(result: ProgrammeResult) -> str:
    """How much was weighed, in a line."""
    count = len(result.readings)
    if isinstance(result.found, DecayResult):
        return (
            f"Weighed with a laboratory balance: {result.used} readings at the held gap, of {count} in all."
        )
    return (
        f"Weighed with a laboratory balance; {result.used} of {count} readings used. Curves are of the "
        "material in a uniform field."
    )


def _conclusion(result: ProgrammeResult, figures: dict[str, dict[str, Any]]) -> list[str]:
    """The sentences for a reader who reads nothing else, whatever the figures' status."""
    whys = list(dict.fromkeys(f["why"] for f in figures.values() if f["status"] == "not determined"))
    if len(whys) == 1 and all(f["status"] == "not determined" for f in figures.values()):
        drawn = "What is drawn below is what the fit makes of the readings all the same."
        return [f"Not determined. {whys[0]}", drawn]
    sentences = []
    if isinstance(result.found, DecayResult):
        sentences.append(_held(result.found))
    for key, figure in figures.items():
        sign = _sign(key, figure)
        sentences.append(f"{_LEADING[key]}: {value_in_words(NAMES[key], figure)}{sign}.")
    reasons = dict.fromkeys(f["why"] for f in figures.values() if f["status"] != "measured" and f["why"])
    # Of two that begin alike the longer one says both.
    sentences += [why for why in reasons if not any(o != why and o.startswith(why) for o in reasons)]
    if count := len(result.warnings):
        codes = ", ".join(sorted({warning.code for warning in result.warnings}))
        sentences.append(f"{count} warning{'s' * (count > 1)} should be read first ({codes}).")
    return sentences


def _sign(key: str, figure: dict[str, Any]) -> str:
    """What the sign of a measured number means."""
    if key not in _SIGNS or figure["status"] != "measured":
        return ""
    below, above = _SIGNS[key]
    if figure["low95"] <= 0.0 <= figure["high95"]:
        return "; no interaction of the parts is seen, since zero lies within its 95 % interval"
    return f"; {below if figure['value'] < 0.0 else above}"


def _held(found: DecayResult) -> str:
    part = found.drift_part**2
    field = f"{found.H / 1e3:.3g}".replace("-", "−")
    return (
        f"Held in an applied field of {field} kA/m for {found.t[-1] / 3600.0:.2g} h. What a drift of the "
        f"balance would look alike makes {part:.0%} of the variance of S.".replace("%", " %")
    )


def _drawings(result: ProgrammeResult) -> list[tuple[str, Figure]]:
    """The drawings with their words."""
    made = draw.DRAWINGS[result.gives](result.found)
    if result.history is None:
        return made
    weighed = (
        "What was weighed: M straight from each pull, at the mean field over the sample. The field spreads "
        "over the sample, so that these are not the curves above.",
        draw.weighed_drawing(result),
    )
    return [*made, weighed]


def _table(found: Found) -> dict[str, list[Any]] | None:
    """The curves in numbers: headings, and rows of cells."""
    shown = columns(found)
    if not shown:
        return None
    rows = []
    for i in range(len(shown[0].values)):
        cells = []
        for c in shown:
            value, u = (None if v is None or not np.isfinite(v[i]) else float(v[i]) for v in (c.values, c.u))
            cells += [rounded(value)] if c.u is None else [rounded(value, u), rounded(u, u)]
        rows.append(cells)
    return {"heads": headings(shown), "rows": rows}
