"""`weighloop figures`: loop figures of a run or a notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from ..common import OneOf, json_option, like, note, print_json, significant, table
from ..inputs import analysed, read_input, with_analysis_options

if TYPE_CHECKING:
    from ....analysis.results import LoopResult


@click.command("figures")
@click.argument("source", metavar="INPUT")
@with_analysis_options
@click.option("--units", type=OneOf(["si", "cgs"]), default="si", show_default=True)
@click.option(
    "--programme",
    metavar="NAME",
    default="loop",
    show_default=True,
    help="What the run is: loop, recoil, remanence, reversal or decay.",
)
@json_option
def command(source: str, units: str, programme: str, as_json: bool, **settings: Any) -> None:
    """Loop figures of INPUT: a notebook CSV (with --bench), a data package or a run's number.

    With --programme what that run gives: recoil curves and losses, both remanence curves, reversal
    curves, or the slow decay in one field.
    """
    if programme != "loop":
        from .programme import show_programme

        words = {key: settings[key] for key in ("bench_path", "store_path", "tolerant")}
        draws = min(settings["trials"], 2000)
        readings, bench = read_input(source, **words)
        for remark in show_programme(
            readings, bench, programme, draws=draws, seed=settings["seed"], as_json=as_json
        ):
            note(remark)
        return
    result = analysed(source, **settings)
    if as_json:
        print_json(result.to_json())
        return
    print(figures_table(result, units))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")


def figures_table(result: LoopResult, units: str = "si") -> str:
    """The figures as people read them: value, standard uncertainty, 95 % interval, status."""
    from ....analysis.figures.names import FIGURE_NAMES

    rows: list[list[str]] = []
    reasons: dict[str, list[str]] = {}
    for key, name in FIGURE_NAMES.items():
        figure = result.figures.get(key)
        if figure is None:
            continue
        numbers = [
            None if v is None else name.shown(v, units) for v in (figure.value, figure.low95, figure.high95)
        ]
        u = None if figure.u is None else name.shown(figure.u, units)
        value, low, high = (like(number, u) for number in numbers)
        shown = f"at least {value}" if figure.status == "bound" else value
        interval = "-" if low == "-" or high == "-" else f"{low} .. {high}"
        rows.append(
            [name.words, name.printed, shown, significant(u, 2), interval, name.unit(units), figure.status]
        )
        if figure.why:
            reasons.setdefault(figure.why, []).append(name.printed)
    out = table(["figure", "symbol", "value", "u", "95 % interval", "unit", "status"], rows)
    notes = [f"{', '.join(symbols)}: {why}" for why, symbols in reasons.items()]
    return "\n".join([out, "", *notes]) if notes else out
