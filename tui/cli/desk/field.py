"""`weighloop field`: the reference magnet's field and gradient at given gaps."""

from __future__ import annotations

from pathlib import Path

import click

from ..common import Quantity, bench_option, json_option, print_json, significant, table
from ..inputs import bench_of


@click.command("field")
@bench_option
@click.option(
    "--gap", "gaps", type=Quantity("m"), multiple=True, required=True, help="May be given more than once."
)
@json_option
def command(bench_path: Path, gaps: tuple[float, ...], as_json: bool) -> None:
    """Field and gradient of the reference magnet at given gaps.

    On the axis at the height of the sample's centre, and averaged over the sample's volume.
    """
    import numpy as np

    from ....analysis.magnetostatics.applied_field import field_table

    if any(gap < 0 for gap in gaps):
        raise click.UsageError("a gap is not negative: it runs from face to face")
    columns = field_table(bench_of(bench_path), np.array(gaps))
    result = [dict(zip(columns, row, strict=True)) for row in np.transpose(list(columns.values())).tolist()]
    if as_json:
        print_json(result)
        return
    headers = ["gap /mm", "B axis /mT", "gradient axis /(T/m)", "B mean /mT", "gradient mean /(T/m)"]
    scales = [1e3, 1e3, 1.0, 1e3, 1.0]
    rows = [[significant(v * s, 6) for v, s in zip(r.values(), scales, strict=True)] for r in result]
    print(table(headers, rows))
