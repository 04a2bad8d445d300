"""`weighloop figures`: loop figures of a run or a notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from ..common import OneOf, json_option, note, print_json
from ..inputs import programme_option, result_of, with_analysis_options, with_option
from .figure_rows import figure_rows
from .repeat import is_repeat, repeat_of, repeat_table

if TYPE_CHECKING:
    from ....analysis.programmes.results import ProgrammeResult
    from ....analysis.repeat import RepeatResult
    from ....analysis.results import LoopResult


@click.command("figures")
@click.argument("sources", metavar="INPUT...", nargs=-1, required=True)
@with_analysis_options
@click.option("--units", type=OneOf(["si", "cgs"]), default="si", show_default=True)
@programme_option
@with_option
@json_option
def command(
    sources: tuple[str, ...],
    units: str,
    programme: str | None,
    others: tuple[str, ...],
    as_json: bool,
    **settings: Any,
) -> None:
    """Loop figures of INPUT: a notebook CSV (with --bench), a data package or a run's number.

    Of another programme what that gives: recoil curves and losses, both remanence curves, reversal
    curves, or the slow decay in one field.

    Several INPUTs are loops of one sample (as is a run's number with --programme repeat: the runs it was
    started with): their figures against time and temperature, repeatability, temperature coefficients.
    """
    if others and is_repeat(sources, programme):
        raise click.UsageError("--with goes with one loop")
    result = repeat_of(sources, **settings) if is_repeat(sources, programme) else None
    result = result or result_of(sources[0], programme, others=others, **settings)
    if as_json:
        print_json(result.to_json())
        return
    print(result_table(result, units))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")


def result_table(result: LoopResult | ProgrammeResult | RepeatResult, units: str = "si") -> str:
    """What came of a run, or of several, as people read it."""
    from ....analysis.repeat import RepeatResult
    from ....analysis.results import LoopResult
    from .programme import programme_table

    if isinstance(result, RepeatResult):
        return repeat_table(result, units)
    return figures_table(result, units) if isinstance(result, LoopResult) else programme_table(result)


def figures_table(result: LoopResult, units: str = "si") -> str:
    """The figures of a loop as people read them, with what other runs of the sample said."""
    from ....analysis.figures.names import FIGURE_NAMES

    return figure_rows(result.figures, FIGURE_NAMES, units, [other.said for other in result.others])
