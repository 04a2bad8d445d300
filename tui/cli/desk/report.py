"""`weighloop report`: the report of one run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..common import OneOf, PageFile, json_option, note, print_json
from ..inputs import programme_option, result_of, with_analysis_options, with_option
from .repeat import is_repeat, repeat_of


@click.command("report")
@click.argument("sources", metavar="INPUT...", nargs=-1, required=True)
@with_analysis_options
@click.option("--output", "-o", type=PageFile(), help="The file, .html or .pdf; report-NAME.html by default.")
@click.option(
    "--drawings", type=click.Path(path_type=Path), help="A folder for the figures as files as well."
)
@click.option("--units", type=OneOf(["si", "cgs"]), default="si", show_default=True, help="Of the figures.")
@click.option("--kind", type=OneOf(["svg", "png", "pdf"]), default="svg", show_default=True)
@programme_option
@with_option
@json_option
def command(
    sources: tuple[str, ...],
    programme: str | None,
    others: tuple[str, ...],
    output: Path | None,
    drawings: Path | None,
    kind: str,
    units: str,
    as_json: bool,
    **settings: Any,
) -> None:
    """Write the report of INPUT (a run's number, a notebook CSV or a data package) as one HTML file or
    PDF; of several loops of one sample, or with --programme repeat, how they went with time and
    temperature."""
    from ....analysis.programmes.results import ProgrammeResult
    from ....analysis.repeat import RepeatResult
    from ....analysis.report import write_drawings, write_programme, write_repeat, write_report
    from ....analysis.results import LoopResult

    target = output or Path(f"report-{Path(sources[0]).stem}.html")
    if others and is_repeat(sources, programme):
        raise click.UsageError("--with goes with one loop")
    result = repeat_of(sources, **settings) if is_repeat(sources, programme) else None
    result = result or result_of(sources[0], programme, others=others, **settings)
    how = f"--programme {result.gives}" if isinstance(result, ProgrammeResult) else ""
    if not isinstance(result, ProgrammeResult):
        how = f"--method {settings['method']}"
    if isinstance(result, RepeatResult) and len(sources) == 1:
        how += " --programme repeat"
    again = f"weighloop figures {' '.join(sources)} {how} --seed {result.seed}"
    again += "".join(
        f" --{name} {settings[f'{name}_path']}" for name in ("bench", "store") if settings[f"{name}_path"]
    )
    again += "".join(f" --with {other}" for other in others)
    again += f" --trials {settings['trials']}"
    drawn = []
    if isinstance(result, LoopResult):
        write_report(result, target, recompute=f"Recompute with: {again}.", units=units)
        drawn = [] if drawings is None else write_drawings(result, drawings, kind)
    elif isinstance(result, RepeatResult):
        write_repeat(result, target, f"Recompute with: {again}.", units=units)
    else:
        write_programme(result, target, f"Recompute with: {again}.")
    if as_json:
        print_json({"report": str(target), "drawings": [str(path) for path in drawn]})
    else:
        print("\n".join(str(path) for path in (target, *drawn)))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")
