"""`weighloop compare`: several runs or notebooks side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import OneOf, PageFile, json_option, like, note, print_json, significant, table
from ..inputs import analysed, with_analysis_options
from . import many

if TYPE_CHECKING:
    from ....analysis.comparison import Comparison


@click.command("compare")
@click.argument("sources", metavar="INPUT...", nargs=-1, required=True)
@with_analysis_options
@click.option("--units", type=OneOf(["si", "cgs"]), default="si", show_default=True)
@click.option("--output", "-o", type=PageFile(), help="Write a page too, .html or .pdf.")
@click.option("--pairs", is_flag=True, help="Every pair's difference also where there are many inputs.")
@json_option
def command(
    sources: tuple[str, ...], units: str, output: Path | None, pairs: bool, as_json: bool, **settings: Any
) -> None:
    """Put runs, notebooks or packages side by side; a folder stands for the notebooks in it.

    Differences come with their joint uncertainty: what the runs share (the same bench values) cancels.
    A notebook is called after the sample of its own bench file; notebooks that share the one named with
    --bench are called after their files. More than 20 inputs are one table, those that stand apart first,
    analysed on all cores; what was analysed before is not analysed again.
    """
    from ....analysis.comparison import compare

    inputs = [each for source in sources for each in _expanded(source)]
    if len(inputs) < 2:
        raise click.UsageError("a comparison needs two inputs or more")
    shared = settings["bench_path"] is not None
    named = [(each, _name(each) if shared else None) for each in inputs]
    if len(inputs) > many.MANY and not pairs:
        _compare_many(named, units, output, as_json, settings)
        return
    results = [analysed(each, named=name, **settings) for each, name in named]
    comparison = compare(results)
    if output is not None:
        from ....analysis.report import write_comparison

        write_comparison(comparison, results, output)
        note(f"written: {output}")
    if as_json:
        print_json(comparison.to_json())
        return
    _print(comparison, units)


def _compare_many(
    named: list[tuple[str, str | None]],
    units: str,
    output: Path | None,
    as_json: bool,
    settings: dict[str, Any],
) -> None:
    from ....analysis.many_runs import many_runs

    failed: list[many.Failed] = []
    found = many_runs(many.summaries(named, settings, failed))
    if output is not None:
        from ....analysis.report import write_many

        write_many(found, output)
        note(f"written: {output}")
    if as_json:
        print_json(found.to_json())
    else:
        many.tell(found, units)
    many.tell_failures(failed)


def _expanded(source: str) -> list[str]:
    """The notebooks of a folder; anything else is itself."""
    from ....analysis.data_package import is_package
    from ....analysis.errors import Fault, InputError

    path = Path(source)
    if not path.is_dir() or is_package(path):
        return [source]
    found = []
    for each in sorted(path.glob("*.csv")):
        if why := _junk(each):
            note(f"{each}: passed over: {why}")
        else:
            found.append(str(each))
    if not found:
        raise InputError(source, [Fault("folder", "no notebook in it", "notebooks named *.csv")])
    return found


def _junk(path: Path) -> str | None:
    """Why a file of a folder is no notebook, or None; a notebook with faults is one."""
    from ....analysis.errors import InputError
    from ....analysis.files.spreadsheet import names_columns
    from ....analysis.files.text import read_bytes

    if path.name.startswith("."):
        return "a hidden file"
    try:
        content = read_bytes(path, "notebook", regular=True)
    except InputError as error:
        return error.found
    if b"current_mA" in content[:4096]:
        return "a coil's readings"
    return None if names_columns(content) else "its header names no columns of a notebook"


def _name(source: str) -> str | None:
    """A notebook's own name; runs and packages bring their sample's."""
    return Path(source).stem if source.lower().endswith(".csv") else None


def _print(comparison: Comparison, units: str) -> None:
    from ....analysis.figures.names import FIGURE_NAMES

    rows = []
    for line in comparison.table:
        name = FIGURE_NAMES[line["figure"]]
        cells = []
        for run in comparison.names:
            found = line["runs"][run]
            if found is None or found["value"] is None:
                cells.append("-")
                continue
            u = None if found["u"] is None else name.shown(found["u"], units)
            shown = like(name.shown(found["value"], units), u)
            cells.append(f"at least {shown}" if found["status"] == "bound" else shown)
        rows.append([name.printed, *cells, name.unit(units)])
    print(table(["figure", *comparison.names, "unit"], rows))
    if len(comparison.names) > 2:
        _print_matrices(comparison, units)
    else:
        _print_pair(comparison, units)
    print(f"\n{comparison.text}")
    if comparison.trend:
        _print_batch(comparison, units)


def _print_matrices(comparison: Comparison, units: str) -> None:
    """The leading figures' differences, a square table each: row less column."""
    from ....analysis.figures.names import FIGURE_NAMES
    from ....analysis.report.wording import LEADING

    for key in LEADING:
        found = {(d.first, d.second): d for d in comparison.differences if d.figure == key}
        if not found:
            continue
        name, rows = FIGURE_NAMES[key], []
        for row in comparison.names:
            cells = []
            for column in comparison.names:
                d, sign = found.get((row, column)), 1.0
                if d is None:
                    d, sign = found.get((column, row)), -1.0
                if d is None:
                    cells.append("-  ")
                    continue
                u = name.shown(d.u, units)
                shown = f"{like(sign * name.shown(d.value, units), u)} ± {significant(u, 2)}"
                cells.append(f"{shown} {'*' if d.differs else ' '}")
            rows.append([row, *cells])
        unit = f", {name.unit(units)}" if name.unit(units) else ""
        print(f"\n{name.printed}{unit}: row less column, with the joint u; * they differ")
        print(table(["", *comparison.names], rows))
    print("\nThe other figures' differences: --json.")


def _print_pair(comparison: Comparison, units: str) -> None:
    from ....analysis.figures.names import FIGURE_NAMES

    rows = []
    for d in comparison.differences:
        name = FIGURE_NAMES[d.figure]
        value, u, low, high = (name.shown(v, units) for v in (d.value, d.u, d.low95, d.high95))
        verdict = "differ" if d.differs else "no difference seen"
        interval = f"{like(low, u)} .. {like(high, u)}"
        rows.append(
            [name.printed, f"{d.first} - {d.second}", like(value, u), significant(u, 2), interval, verdict]
        )
    print("\n" + table(["figure", "difference", "value", "joint u", "95 % interval", "verdict"], rows))


def _print_batch(comparison: Comparison, units: str) -> None:
    """The batch as a whole: mean, spread against what measurement explains, trend in the order given."""
    from ....analysis.figures.names import FIGURE_NAMES

    trends = {t.figure: t for t in comparison.trend}
    rows = []
    for b in comparison.batch:
        name, t = FIGURE_NAMES[b.figure], trends.get(b.figure)
        mean, u, spread, own = (name.shown(v, units) for v in (b.mean, b.u_mean, b.spread, b.u_own))
        row = [name.printed, like(mean, u), significant(u, 2), significant(spread, 2), significant(own, 2)]
        row += [name.unit(units), "differ" if b.differ else "alike"]
        if t is None:
            rows.append([*row, "-", "-", "-"])
            continue
        slope, u = name.shown(t.per_run, units), name.shown(t.u, units)
        goes = ("rises" if slope > 0 else "falls") if t.goes else "no trend seen"
        rows.append([*row, like(slope, u), significant(u, 2), goes])
    headers = [
        "figure",
        "mean",
        "u",
        "spread",
        "by measurement",
        "unit",
        "samples",
        "per sample",
        "u",
        "trend",
    ]
    print("\n" + table(headers, rows))
