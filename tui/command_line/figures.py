"""`weighloop figures`: loop figures of a run or a notebook."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from .common import json_option, note, print_json, read_input, significant, store_option, table

if TYPE_CHECKING:
    from ...analysis.results import LoopResult

analysis_options = [
    click.option("--bench", "bench_path", type=click.Path(path_type=Path), help="The bench file (TOML)."),
    click.option(
        "--method",
        type=click.Choice(["finite", "mean"]),
        default="finite",
        show_default=True,
        help="Force to magnetisation: undo the field's spread over the sample, or average over it.",
    ),
    click.option("--trials", type=click.IntRange(100, 1_000_000), default=10_000, show_default=True),
    click.option("--seed", type=int, default=1, show_default=True, help="Of the Monte Carlo trials."),
    store_option,
]


def with_analysis_options(verb):
    """Add the options that every verb with an analysis has."""
    for option in reversed(analysis_options):
        verb = option(verb)
    return verb


@click.command("figures")
@click.argument("source", metavar="INPUT")
@with_analysis_options
@click.option("--units", type=click.Choice(["si", "cgs"]), default="si", show_default=True)
@json_option
def command(
    source: str,
    bench_path: Path | None,
    method: str,
    trials: int,
    seed: int,
    store_path: Path | None,
    units: str,
    as_json: bool,
) -> None:
    """Loop figures of INPUT: a notebook CSV (with --bench), a data package or a run's number."""
    from ...analysis.results import analyse

    readings, bench = read_input(source, bench_path, store_path)
    result = analyse(readings, bench, method=method, trials=trials, seed=seed)
    if as_json:
        print_json(result.to_json())
        return
    print(figures_table(result, units))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")


def figures_table(result: LoopResult, units: str = "si") -> str:
    """The figures as people read them: value, standard uncertainty, 95 % interval, status."""
    from ...analysis.figure_names import FIGURE_NAMES

    rows, reasons = [], []
    for key, name in FIGURE_NAMES.items():
        figure = result.figures.get(key)
        if figure is None:
            continue
        numbers = [
            None if v is None else name.shown(v, units) for v in (figure.value, figure.low95, figure.high95)
        ]
        u = None if figure.u is None else name.shown(figure.u, units)
        value, low, high = (_like(number, u) for number in numbers)
        shown = f"at least {value}" if figure.status == "bound" else value
        interval = "-" if low == "-" or high == "-" else f"{low} .. {high}"
        rows.append(
            [name.words, name.symbol, shown, significant(u, 2), interval, name.unit(units), figure.status]
        )
        if figure.why:
            reasons.append(f"{name.symbol}: {figure.why}")
    out = table(["figure", "symbol", "value", "u", "95 % interval", "unit", "status"], rows)
    return "\n".join([out, "", *reasons]) if reasons else out


def _like(value: float | None, u: float | None) -> str:
    """A value to the place where its uncertainty has its second digit (JCGM 100, 7.2.6)."""
    if value is None or value != value:
        return "-"
    if not u:
        return significant(value)
    from math import floor, log10

    decimals = max(0, 1 - floor(log10(u)))
    return f"{value:.{decimals}f}"
