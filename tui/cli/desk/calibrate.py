"""`weighloop calibrate`: what the bench's magnet, contact gap and heights really are."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import MeasuredQuantity, OneOf, json_option, note, print_json, significant, store_option
from ..inputs import bench_of, is_run

if TYPE_CHECKING:
    import numpy as np

    from ....analysis.calibration.axis import AxisFound
    from ....analysis.calibration.fit import Source
    from ....analysis.calibration.outcome import Calibration
    from ....analysis.records.bench import Bench

WAYS = ("probe", "standard", "pair", "coil")
HOOPS, AXIS = "hoops", "axis"
VALID_DAYS = 180


@click.command("calibrate")
@click.argument("readings")
@click.option(
    "--bench",
    "bench_path",
    type=click.Path(path_type=Path),
    help="The bench file (TOML); by default, of a run, the one it was weighed with.",
)
@click.option(
    "--from",
    "way",
    type=OneOf([*WAYS, HOOPS, AXIS]),
    help="Field probe on the axis; a standard sample of known moment; a second, like magnet; a coil of known "
    "current, described by [coil] in the bench file (taken for a run where nothing is said); hoops: that "
    "coil's turns times area, from its voltage in a known alternating field; axis: where the magnet's axis "
    "is, by the coil moved sideways.",
)
@click.option(
    "--also",
    nargs=2,
    type=(OneOf(WAYS), str),
    multiple=True,
    metavar="WAY READINGS",
    help="Readings of another way, in the same fit; may be given again.",
)
@click.option(
    "--probe-depth",
    type=MeasuredQuantity("m"),
    default="0 mm +/- 0.2 mm",
    show_default=True,
    help="Sensitive spot below its face.",
)
@click.option(
    "--probe-gain",
    type=click.FloatRange(0.0, 1.0),
    default=0.01,
    show_default=True,
    help="Relative uncertainty of the probe's scale.",
)
@click.option(
    "--moment",
    type=MeasuredQuantity("A*m^2"),
    help='Of the standard, such as "3.47e-3 A*m^2 +/- 0.01e-3 A*m^2".',
)
@click.option("--hard", is_flag=True, help="The standard is a permanent magnet, not a soft sphere.")
@click.option(
    "--gauge",
    type=MeasuredQuantity("m"),
    nargs=2,
    metavar="THICKNESS REPORTED",
    help='A gauge block between two heights: "20 mm +/- 0.002 mm" and the difference of the heights.',
)
@click.option("--hold", type=OneOf(["remanence", "contact"]), help="Trust the bench file's; fit the other.")
@click.option("--check", is_flag=True, help="Coil only: does the bench file's calibration still hold?")
@click.option(
    "--valid-for",
    "days",
    type=click.IntRange(1),
    default=VALID_DAYS,
    show_default=True,
    help="Days to its expiry.",
)
@click.option("--plot", type=click.Path(path_type=Path), help="Draw the residuals into this file.")
@click.option("--report", type=click.Path(path_type=Path), help="Write the page of it (HTML or PDF).")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write the bench file with the result in it."
)
@store_option
@json_option
def command(
    readings: str,
    bench_path: Path | None,
    way: str | None,
    check: bool,
    store_path: Path | None,
    plot: Path | None,
    as_json: bool,
    **settings: Any,
) -> None:
    """Fit the reference magnet, contact gap and scale of heights to READINGS; print the bench file's lines.

    READINGS is the number of a run that weighed the coil, or a CSV with `height_mm` (above the closest
    position) or `spacers`, and `B_mT` (probe) or `reading_g` (standard, pair: zeroed without it; coil: as
    shown); optionally `u`, in the same unit. A coil's has `current_mA` too, every height with both
    directions (+ - - +), optionally `end` (+1 or -1, which of its ends is down) and `resistance_ohm`. The
    sample of the bench file is the standard. Of hoops it is a TOML file with a table [hoops]: radius,
    spacing, turns, current, voltage, frequency, and where they count resistance, load, size and tilt. Of the
    axis it is the number of a run (`weighloop coil --scan`), or a CSV with `x_mm`, `y_mm` (where the coil's
    seat stands), `current_mA` and `reading_g`.
    With a coil, or with readings of several ways, what the bench file states counts as one more reading
    of itself. Data that cannot tell remanence from the contact gap are refused, and so is a magnet that
    the fit does not describe.
    """
    way = way or ("coil" if is_run(readings) else None)
    if way is None:
        raise click.UsageError(f"say with --from what {readings} are readings of: {', '.join(WAYS)}")
    if way == HOOPS:
        _turn_area(Path(readings), bench_path, settings["output"], settings["report"], as_json)
        return
    asked: list[tuple[str, str]] = [(way, readings), *settings.pop("also")]
    if any(name == "standard" for name, _ in asked) and settings["moment"] is None:
        raise click.UsageError("a standard needs its --moment")
    if check and (way != "coil" or len(asked) > 1):
        raise click.UsageError("--check goes with --from coil alone")
    if bench_path is not None:
        bench = bench_of(bench_path)
    elif is_run(readings):
        from ....daemon.store.coil_table import read_coil_run

        bench = read_coil_run(int(readings), store_path)[1]
    else:
        raise click.UsageError("name the bench file with --bench")
    if way == AXIS:
        if settings["output"] or plot:
            raise click.UsageError("-o and --plot do not go with --from axis: --report has map and advice")
        found = _axis(readings, bench, store_path)
        named = f"run {readings}" if is_run(readings) else Path(readings).name
        show_axis(found, bench, named, settings["report"], as_json)
        return
    of_source = {key: settings.pop(key) for key in ("probe_depth", "probe_gain", "moment", "hard")}
    sources = [_source(name, words, bench, store_path, **of_source) for name, words in asked]
    if check:
        show_check(sources[0], bench, as_json)
    else:
        show_calibration(sources, bench, plot, as_json, named=readings, **settings)


def _turn_area(
    readings: Path, bench_path: Path | None, output: Path | None, report: Path | None, as_json: bool
) -> None:
    """The coil's turns times area by hoops: printed, on a page, and into the bench file."""
    from ....analysis.calibration.hoops import read_hoops
    from ....analysis.calibration.outcome import area_values
    from ....analysis.units import Measured

    area = read_hoops(readings)
    bench = bench_of(bench_path) if bench_path is not None else None
    values = area_values(Measured(area.value, area.u))
    (_, line), *_ = values.items()
    if report is not None:
        from ....analysis.report.coil import write_turn_area

        write_turn_area(area, bench.coil if bench is not None else None, report)
    if output is not None:
        from ....analysis.files.bench_text import with_values

        if bench is None:
            raise click.UsageError("name the bench file with --bench: its [coil] gets the area")
        text = with_values(bench.source_text, values)
        output.write_text(text, encoding="utf-8")
    if as_json:
        print_json({"turn_area_m2": area.value, "u_turn_area_m2": area.u, "budget": area.budget})
        return
    print(f"[coil]\nturn_area = {line}")
    for name, part in sorted(area.budget.items(), key=lambda item: -item[1]):
        note(f"{name}: {100 * part:.2g} %")


def _axis(readings: str, bench: Bench, store_path: Path | None) -> AxisFound:
    from ....analysis.calibration.axis import axis_from_file, axis_of_run
    from ....daemon.store.coil_table import read_coil_run

    if not is_run(readings):
        return axis_from_file(readings, bench)
    return axis_of_run(read_coil_run(int(readings), store_path, bench)[0], bench)


def show_axis(found: AxisFound, bench: Bench, named: str, report: Path | None, as_json: bool) -> None:
    """Print where the axis is by the scan so ``named``, and write its page where asked for."""
    if report is not None:
        from ....analysis.report.axis import write_axis

        write_axis(found, bench, named, report)
    if as_json:
        print_json(found.to_json())
        return
    print(*found.words, sep="\n")
    for line in found.advice:
        note(line)


def _source(way: str, words: str, bench: Bench, store_path: Path | None, **settings: Any) -> Source:
    """The readings behind one WAY READINGS."""
    if not is_run(words):
        from ....analysis.calibration.from_files import read_source

        return read_source(way, Path(words), bench, **settings)
    from ....analysis.calibration.coil import source_of_coil
    from ....daemon.store.coil_table import read_coil_run

    if way != "coil":
        raise click.UsageError(f"run {words} weighed a coil: --from coil, not {way}")
    return source_of_coil(read_coil_run(int(words), store_path, bench)[0], bench)


def show_calibration(
    sources: list[Source],
    bench: Bench,
    plot: Path | None,
    as_json: bool,
    days: int,
    report: Path | None,
    output: Path | None,
    **settings: Any,
) -> None:
    """Fit, print, and write what is asked for; ``settings`` are those of ``from_files.calibrate``."""
    from datetime import date, timedelta

    import numpy as np

    from ....analysis.calibration.from_files import calibrate

    found = calibrate(bench, sources, **settings)
    today = date.today()
    dates = (today.isoformat(), (today + timedelta(days=days)).isoformat())
    lines = found.bench_lines(bench, *dates)
    if plot is not None:
        _draw(np.concatenate([s.heights for s in sources]), found, plot)
    if report is not None:
        from ....analysis.report.calibration import write_calibration

        write_calibration(found, sources, bench, dates, report)
    if output is not None:
        output.write_text(found.applied_to(bench, *dates).source_text, encoding="utf-8")
    if as_json:
        print_json(found.to_json(bench, *dates))
    else:
        rms = float((found.residuals[found.used] ** 2).mean() ** 0.5)
        print(f"# {found.method}: {int(found.used.sum())} readings, residuals {significant(rms, 2)} u (rms)")
        print(lines, end="")
    for warning in found.warnings:
        note(f"Note: {warning}")


def show_check(source: Source, bench: Bench, as_json: bool) -> None:
    """Say whether the calibration holds. Raises NotPossible where it does not."""
    from ....analysis.calibration.check import check_coil
    from ....analysis.errors import NotPossible

    result = check_coil(source, bench)
    if as_json:
        print_json(result.to_json())
    elif result.holds:
        print(result.words)
    if not result.holds:
        raise NotPossible(result.words)


def _draw(height: np.ndarray, found: Calibration, path: Path) -> None:
    from ....analysis.report.calibration import residuals_drawn
    from ....analysis.report.style import save

    save(residuals_drawn(height, found), str(path))
