"""`weighloop report`: the report of one run."""

from __future__ import annotations

from pathlib import Path

import click

from .common import note, read_input
from .figures import with_analysis_options


@click.command("report")
@click.argument("source", metavar="INPUT")
@with_analysis_options
@click.option(
    "--output", "-o", type=click.Path(path_type=Path), help="The HTML file; report-NAME.html by default."
)
@click.option(
    "--drawings", type=click.Path(path_type=Path), help="A folder for the figures as files as well."
)
@click.option("--kind", type=click.Choice(["svg", "png", "pdf"]), default="svg", show_default=True)
def command(
    source: str,
    bench_path: Path | None,
    method: str,
    trials: int,
    seed: int,
    store_path: Path | None,
    output: Path | None,
    drawings: Path | None,
    kind: str,
) -> None:
    """Write the report of INPUT (a run's number, a notebook CSV or a data package) as one HTML file."""
    from ...analysis.report import write_drawings, write_report
    from ...analysis.results import analyse

    readings, bench = read_input(source, bench_path, store_path)
    result = analyse(readings, bench, method=method, trials=trials, seed=seed)
    target = output or Path(f"report-{Path(source).stem}.html")
    again = f"weighloop figures {source} --method {method} --trials {trials} --seed {seed}"
    write_report(result, target, recompute=f"Recompute with: {again}.")
    print(target)
    if drawings is not None:
        for path in write_drawings(result, drawings, kind):
            print(path)
    for warning in result.warnings:
        note(f"{warning.code}: {warning.text}")
