"""`weighloop export`: a run as an open data package."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

import click

from .common import read_input
from .figures import with_analysis_options


@click.command("export")
@click.argument("source", metavar="INPUT")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@with_analysis_options
@click.option("--licence", default="CC-BY-4.0", show_default=True, help="Of the data, as an SPDX name.")
def command(
    source: str,
    folder: Path,
    bench_path: Path | None,
    method: str,
    trials: int,
    seed: int,
    store_path: Path | None,
    licence: str,
) -> None:
    """Write INPUT as an open data package into FOLDER: CSV tables, datapackage.json, bench file, figures."""
    from ...analysis.open_data import write_package
    from ...analysis.results import analyse

    readings, bench = read_input(source, bench_path, store_path)
    result = analyse(readings, bench, method=method, trials=trials, seed=seed)
    details = {"version": version("weighloop"), "method": method, "trials": trials, "seed": seed}
    print(write_package(result, folder, licence=licence, details={"input": Path(source).name} | details))
