"""Fills the report's page: every number in it is taken from the result's JSON."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from ..figures.names import FIGURE_NAMES, FigureName, input_shown
from ..magnetostatics.bench_linearisation import WORDS as INPUT_WORDS
from . import plots as draw
from .bench_sketch import bench_drawing
from .output import filled, page_file, whole_file, write_page
from .style import save, svg
from .wording import LEADING, conclusion, limit, rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..records.bench import Bench
    from ..results import LoopResult

#: Inputs with less than this share of every figure's variance are not listed.
_SMALLEST_SHARE = 0.01
_LESS_SPACERS = " (less the first at the same number of spacers)"


def write_report(result: LoopResult, path: str | Path, **details: Any) -> None:
    """Write the report of ``result`` to ``path``, whole or not at all; details as in ``report_html``.

    A name that ends in ``.pdf`` gets the page laid out on A4. Raises InputError where ``path`` is named as
    neither an HTML file nor a PDF.
    """
    target = page_file(path)
    write_page(target, report_html(result, **details))


def write_drawings(result: LoopResult, folder: str | Path, kind: str = "svg") -> list[Path]:
    """The report's figures as files in ``folder``; ``kind`` is svg, png or pdf. Returns their paths."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, (figure, _) in _drawings(result, result.to_json()["points"]).items():
        written.append(folder / f"{name}.{kind}")
        with whole_file(written[-1]) as unfinished:
            save(figure, str(unfinished))
    return written


def report_html(result: LoopResult, *, recompute: str = "", units: str = "si") -> str:
    """The report as HTML: two pages on paper, then an appendix. ``recompute`` says how it can be computed
    again; ``units``: of the figures, ``si`` or ``cgs``."""
    data = result.to_json()
    bench, readings = result.bench, data["readings"]
    whys = [data["figures"][key]["why"] for key in FIGURE_NAMES if key in data["figures"]]
    notes = dict(zip(dict.fromkeys(filter(None, whys)), ascii_lowercase, strict=False))
    return filled(
        "page.html",
        sample=bench.sample.name,
        source=result.readings.source,
        started=_date(result.readings.started),
        used=sum(row["used"] for row in data["points"]),
        conclusion=conclusion(bench.sample.name, data, notes, _closest(data["points"]), units),
        drawings={"temperature": None}
        | {
            name: {"svg": svg(figure), "alt": alt}
            for name, (figure, alt) in _drawings(result, data["points"]).items()
        },
        trials=result.trials,
        figures=[
            figure_row(key, FIGURE_NAMES[key], data["figures"][key], notes, units)
            for key in FIGURE_NAMES
            if key in data["figures"]
        ],
        notes=notes,
        warnings=data["warnings"],
        budget=_budget(data["budget"], data["figures"]),
        short_budget=_budget(data["budget"], data["figures"], LEADING, 6),
        instrument=_instrument(bench),
        rows=[_point_row(*both) for both in zip(data["points"], readings, strict=True)],
        settling=_settling(readings),
        bench_text=bench.source_text.strip(),
        conditioned=[_conditioned_row(row) for row in data["bench_conditioned"]],
        method_text=result.estimate.why,
        N=f"{data['demagnetising_factor']['axial']:.4f}",
        N_method=data["demagnetising_factor"]["method"],
        spacers=bench.gap.ladder == "spacers",
        versions=versions(),
        checksum=_readings_checksum(result),
        bench_checksum=hashlib.sha256(bench.source_text.encode()).hexdigest(),
        recompute=recompute,
    )


def _drawings(result: LoopResult, rows: list[dict[str, Any]]) -> dict[str, tuple[Figure, str]]:
    closest = _closest(rows) / 1e3
    by_spacers = result.bench.gap.ladder == "spacers"
    made: dict[str, tuple[Figure | None, str]] = {
        "magnetisation": (
            draw.magnetisation_drawing(result, rows),
            "Magnetisation against internal field: points with their standard uncertainty, "
            "the recovered branches as lines, with their 95 % band.",
        ),
        "induction": (
            draw.induction_drawing(result, rows),
            "Induction against internal field; the shaded rectangle is the largest energy product.",
        ),
        "pull": (draw.pull_drawing(result, rows), "The force weighed at each gap, branch by branch."),
        "steadiness": (
            draw.steadiness_drawing(result),
            f"Zeros of the balance over the run{_LESS_SPACERS if by_spacers else ''}, "
            "the standard uncertainty of each reading"
            + ("." if result.readings.settled_in is None else ", and how long it took to settle."),
        ),
        "temperature": (draw.temperature_drawing(result), "Temperature over the run."),
        "bench": (
            bench_drawing(result.bench, closest),
            f"Magnet and sample to scale, at the closest gap of {closest * 1e3:.2f} mm.",
        ),
    }
    return {name: (figure, alt) for name, (figure, alt) in made.items() if figure is not None}


def _closest(rows: list[dict[str, Any]]) -> float:
    """The smallest gap, mm."""
    return 1e3 * min((row["gap_m"] for row in rows if row["gap_m"] is not None), default=0.0)


def _instrument(bench: Bench) -> str:
    """What the loop was weighed with, in a line."""
    magnet, balance = bench.reference_magnet, bench.balance
    sizes = [magnet.diameter or magnet.outer_diameter or magnet.length, magnet.height]
    size = " × ".join(f"{length.value * 1e3:g}" for length in sizes if length is not None)
    ladder = "spacers" if bench.gap.ladder == "spacers" else "a lift"
    return (
        f"balance of {balance.resolution * 1e6:g} mg and {balance.capacity * 1e3:g} g; reference magnet: "
        f"{magnet.shape}, {size} mm, remanence {magnet.remanence.value:g} T; gaps set by {ladder}"
    )


def figure_row(
    key: str, name: FigureName, figure: dict[str, Any], notes: dict[str, str], units: str = "si"
) -> dict[str, Any]:
    """A figure's line in the table of figures."""

    def shown(field: str) -> float | None:
        return None if figure[field] is None else name.shown(figure[field], units)

    u, low, high = shown("u"), shown("low95"), shown("high95")
    value = rounded(shown("value"), u)
    return {
        "key": key,
        "words": name.words,
        "symbol": name.html,
        "value": f"{limit(figure)}{value}",
        "u": rounded(u, u),
        "interval": "–" if low is None or high is None else f"{rounded(low, u)} … {rounded(high, u)}",
        "unit": name.unit(units),
        "status": figure["status"],
        "note": notes.get(figure["why"]),
    }


def _date(started: str) -> str:
    """A time of ISO 8601 as people write it, to the minute."""
    try:
        return datetime.fromisoformat(started).strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return started


def _settling(readings: list[dict[str, Any]]) -> str:
    """In a sentence, how well and how fast the readings settled; empty where nobody watched."""
    waits = sorted(r["settled_in_s"] for r in readings if r["settled_in_s"] is not None)
    if not waits:
        return ""
    us = sorted(r["u_reading_kg"] * 1e6 for r in readings if r["u_reading_kg"] is not None)
    middle = len(waits) // 2
    words = f"A reading was accepted after {waits[middle]:.1f} s in the median, {waits[-1]:.1f} s at most"
    if us:
        words += f"; standard uncertainties from {us[0]:.2g} mg to {us[-1]:.2g} mg"
    return words + "."


def _point_row(row: dict[str, Any], reading: dict[str, Any]) -> dict[str, Any]:
    kilo = {"H_applied": "H_applied_A_per_m", "H_internal": "H_internal_A_per_m", "M": "M_A_per_m"}
    u = row["u_M_A_per_m"]
    u_kilo = None if u is None else u / 1e3
    shown = {k: rounded(None if row[v] is None else row[v] / 1e3, u_kilo) for k, v in kilo.items()}
    force, settled = row["force_N"], reading["settled_in_s"]
    u_reading = None if reading["u_reading_kg"] is None else reading["u_reading_kg"] * 1e6
    why_not = f"set aside: {row['why_not']}" if row["why_not"] else "set aside"
    return shown | {
        "row": row["row"],
        "gap": "–" if row["gap_m"] is None else f"{row['gap_m'] * 1e3:.3f}",
        "orientation": f"{row['orientation']:+d}",
        "force": "–" if force is None else f"{force * 1e3:.3f}",
        "u_M": rounded(u_kilo, u_kilo),
        "u_reading": rounded(u_reading, u_reading),
        "settled_in": "–" if settled is None else f"{settled:.1f}",
        "branch": row["branch"] if row["used"] else why_not,
        "used": row["used"],
    }


def _conditioned_row(row: dict[str, Any]) -> dict[str, str]:
    """A value of the bench file as stated, and as the readings leave it."""
    unit, stated, u_stated = input_shown(row["input"], row["stated"], row["u_stated"])
    _, found, u_found = input_shown(row["input"], row["found"], row["u_found"])
    return {
        "words": INPUT_WORDS[row["input"]],
        "unit": unit,
        "stated": rounded(stated, u_stated),
        "u_stated": rounded(u_stated, u_stated),
        "found": rounded(found, u_found),
        "u_found": rounded(u_found, u_found),
        "shift": f"{round(row['shift_in_u'], 1) + 0.0:+.1f}",
    }


def _budget(
    budget: dict[str, list[dict[str, Any]]],
    figures: dict[str, Any],
    among: Collection[str] = FIGURE_NAMES,
    most: int | None = None,
) -> dict[str, Any] | None:
    """One table: a row an input, the weightiest first (``most`` at most), a column a figure of those
    ``among``; None where there is no budget."""
    keys = [key for key in FIGURE_NAMES if key in budget and key in among and figures[key]["u"]]
    shares: dict[str, dict[str, float]] = {}
    for key in keys:
        for line in budget[key]:
            shares.setdefault(line["input"], {})[key] = line["share"]
    weighty = sorted(shares, key=lambda name: -max(shares[name].values()))
    weighty = [name for name in weighty if max(shares[name].values()) >= _SMALLEST_SHARE][:most]
    if not weighty:
        return None
    largest = {key: max(shares, key=lambda name: shares[name].get(key, 0.0)) for key in keys}
    rows = [
        {
            "input": name,
            "cells": [
                {
                    "percent": f"{100 * shares[name].get(key, 0.0):.0f}",
                    "tint": f"{min(shares[name].get(key, 0.0), 1.0):.2f}",
                    "largest": largest[key] == name,
                }
                for key in keys
            ],
        }
        for name in weighty
    ]
    return {"symbols": [FIGURE_NAMES[key].html for key in keys], "rows": rows}


def versions() -> str:
    """The program's and its numerical libraries' versions, for recomputing."""
    parts = []
    for name in ("weighloop", "numpy", "scipy"):
        try:
            parts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            parts.append(f"{name} (version not known)")
    return ", ".join(parts)


def _readings_checksum(result: LoopResult) -> str:
    """One checksum over the columns an analysis depends on."""
    readings, digest = result.readings, hashlib.sha256()
    for column in ("row", "gap", "orientation", "reading", "zero_before", "zero_after", "u_reading"):
        digest.update(getattr(readings, column).astype("<f8").tobytes())
    return digest.hexdigest()
