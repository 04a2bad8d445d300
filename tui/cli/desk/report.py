"""`weighloop report`: the report of one run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..common import OneOf, PageFile, json_option, note, print_json
from ..inputs import analysed, with_analysis_options


@click.command("report")
@click.argument("source", metavar="INPUT")
@with_analysis_options
@click.option("--output", "-o", type=PageFile(), help="The file, .html or .pdf; report-NAME.html by default.")
@click.option(
    "--drawings", type=click.Path(path_type=Path), help="A folder for the figures as files as well."
)
@click.option("--units", type=OneOf(["si", "cgs"]), default="si", show_default=True, help="Of the figures.")
@click.option("--kind", type=OneOf(["svg", "png", "pdf"]), default="svg", show_default=True)
@click.option(
    "--programme",
    metavar="NAME",
    default="loop",
    show_default=True,
    help="What the run is: loop, recoil, remanence or reversal.",
)
@json_option
def command(
    source: str,
    programme: str,
    output: Path | None,
    drawings: Path | None,
    kind: str,
    units: str,
    as_json: bool,
    **settings: Any,
) -> None:
    """Write the report of INPUT (a run's number, a notebook CSV or a data package) as one HTML file or
    PDF."""
    from ....analysis.report import write_drawings, write_report

    target = output or Path(f"report-{Path(source).stem}.html")
    if programme != "loop":
        from .programme import write_page

        for remark in write_page(source, programme, target, settings):
            note(remark)
        print_json({"report": str(target), "drawings": []}) if as_json else print(target)
        return
    result = analysed(source, **settings)
    again = f"weighloop figures {source} --method {result.method} --seed {result.seed}"
    again += "".join(
        f" --{name} {settings[f'{name}_path']}" for name in ("bench", "store") if settings[f"{name}_path"]
    )
    again += f" --trials {settings['trials']}"
    write_report(result, target, recompute=f"Recompute with: {again}.", units=units)
    drawn = [] if drawings is None else write_drawings(result, drawings, kind)
    if as_json:
        print_json({"report": str(target), "drawings": [str(path) for path in drawn]})
    else:
        print("\n".join(str(path) for path in (target, *drawn)))
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")
