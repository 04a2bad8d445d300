"""`weighloop export`: a run as an open data package."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import Any

import click

from ..common import json_option, print_json
from ..inputs import programme_option, raw_of, result_of, with_analysis_options


@click.command("export")
@click.argument("source", metavar="INPUT")
@click.argument("folder", type=click.Path(path_type=Path))
@with_analysis_options
@programme_option
@click.option("--licence", default="CC-BY-4.0", show_default=True, help="Of the data, as an SPDX name.")
@click.option(
    "--raw",
    "with_raw",
    is_flag=True,
    help="Also every reading the balance sent in the run, as raw.csv.",
)
@json_option
def command(
    source: str,
    folder: Path,
    programme: str | None,
    licence: str,
    with_raw: bool,
    as_json: bool,
    **settings: Any,
) -> None:
    """Write INPUT as an open data package into FOLDER: CSV tables, datapackage.json, bench file, figures."""
    from ....analysis.data_package import write_package

    if folder.is_file():
        raise click.UsageError(f"{folder} is a file; name a folder for the package, such as {folder.stem}")

    raw = raw_of(source, settings["store_path"]) if with_raw else None
    result = result_of(source, programme, **settings)
    details = {"version": version("weighloop"), "method": settings["method"], "seed": result.seed}
    details |= {"input": Path(source).name, "trials": settings["trials"]}
    descriptor = write_package(result, folder, licence=licence, details=details, raw=raw)
    print_json({"package": str(descriptor)}) if as_json else print(descriptor)
