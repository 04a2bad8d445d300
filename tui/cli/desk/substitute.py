"""`weighloop substitute`: a sample's magnetisation by the ratio of its pull to a coil's."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..common import json_option, like, note, print_json, significant, store_option, table
from ..inputs import is_run, read_input

if TYPE_CHECKING:
    from ....analysis.records.bench import Bench
    from ....analysis.records.coil_readings import CoilReadings


@click.command("substitute")
@click.argument("source", metavar="INPUT")
@click.option(
    "--coil",
    "coil",
    required=True,
    metavar="READINGS",
    help="The coil's: a run's number, or a CSV as for calibrate.",
)
@click.option(
    "--bench",
    "bench_path",
    type=click.Path(path_type=Path),
    help="The bench file (TOML), with [coil]; by default NAME.toml beside a notebook NAME.csv.",
)
@click.option("--report", type=click.Path(path_type=Path), help="Write the page (HTML or PDF).")
@store_option
@json_option
def command(
    source: str,
    coil: str,
    bench_path: Path | None,
    report: Path | None,
    store_path: Path | None,
    as_json: bool,
) -> None:
    """Magnetisation of INPUT (a notebook or a run's number) by substitution.

    Sample and coil of known current are weighed over the same places: M follows from the ratio of their
    pulls, the coil's turns times area, and the sample's volume, whatever the magnet's strength and the
    contact gap. Rows of the sample outside the places where the winding was are left out and named.
    """
    from ....analysis.calibration.substitution import substitute

    readings, bench = read_input(source, bench_path, store_path)
    found = substitute(readings, _coil(coil, bench, store_path), bench)
    if report is not None:
        from ....analysis.report.coil import write_substitution

        write_substitution(found, report)
    if as_json:
        print_json(found.to_json())
        return
    rows = []
    for row, gap, side, H, M, u in zip(
        found.row, found.gap, found.orientation, found.H_applied, found.M, found.u, strict=True
    ):
        cells = [str(row), f"{gap * 1e3:.2f}", f"{side:+.0f}", significant(H / 1e3, 4)]
        rows.append([*cells, like(M / 1e3, u / 1e3), significant(u / 1e3, 2)])
    print(table(["row", "gap /mm", "way up", "H applied /(kA/m)", "M /(kA/m)", "u"], rows))
    shares = ", ".join(f"{name} {100 * part:.2g} %" for name, part in found.budget.items())
    note(f"what all rows share is known to {100 * found.common:.2g} %: {shares}")
    if found.left_out:
        note(f"left out, outside the winding's places: rows {', '.join(map(str, found.left_out))}")


def _coil(words: str, bench: Bench, store_path: Path | None) -> CoilReadings:
    if is_run(words):
        from ....daemon.store.coil_table import read_coil_run

        return read_coil_run(int(words), store_path, bench)[0]
    from ....analysis.calibration.from_files import read_coil

    return read_coil(Path(words), bench)
