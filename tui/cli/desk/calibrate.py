"""`weighloop calibrate`: what the bench's magnet, contact gap and heights really are."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import MeasuredQuantity, OneOf, bench_option, json_option, note, print_json, significant
from ..inputs import bench_of

if TYPE_CHECKING:
    import numpy as np

    from ....analysis.calibration.outcome import Calibration
    from ....analysis.records.bench import Bench

WAYS = ("probe", "standard", "pair", "coil")


@click.command("calibrate")
@click.argument("readings", type=click.Path(path_type=Path))
@bench_option
@click.option(
    "--from",
    "way",
    type=OneOf(WAYS),
    required=True,
    help="Field probe on the axis; a standard sample of known moment; a second, like magnet; a coil of known "
    "current, described by [coil] in the bench file.",
)
@click.option(
    "--also",
    nargs=2,
    type=(OneOf(WAYS), click.Path(path_type=Path)),
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
    "--valid-for", "days", type=click.IntRange(1), default=180, show_default=True, help="Days to its expiry."
)
@click.option("--plot", type=click.Path(path_type=Path), help="Draw the residuals into this file.")
@click.option("--report", type=click.Path(path_type=Path), help="Write the calibration's page (HTML).")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write the bench file with the result in it."
)
@json_option
def command(
    readings: Path,
    bench_path: Path,
    way: str,
    check: bool,
    plot: Path | None,
    as_json: bool,
    **settings: Any,
) -> None:
    """Fit the reference magnet, contact gap and scale of heights to READINGS; print the bench file's lines.

    READINGS is a CSV with `height_mm` (above the closest position) or `spacers`, and `B_mT`
    (probe) or `reading_g` (standard, pair: zeroed without it; coil: as shown); optionally `u`, in the same
    unit. A coil's has `current_mA` too, every height with both directions (+ - - +), optionally `end`
    (+1 or -1, which of its ends is down) and `resistance_ohm`. The sample of the bench file is the standard.
    With a coil, or with readings of several ways, what the bench file states counts as one more reading
    of itself. Data that cannot tell remanence from the contact gap are refused, and so is a magnet that
    the fit does not describe.
    """
    asked = [(way, readings), *settings.pop("also")]
    if any(name == "standard" for name, _ in asked) and settings["moment"] is None:
        raise click.UsageError("a standard needs its --moment")
    if check and (way != "coil" or len(asked) > 1):
        raise click.UsageError("--check goes with --from coil alone")
    bench = bench_of(bench_path)
    if check:
        _check(readings, bench, as_json)
    else:
        _calibrate(asked, bench, plot, as_json, **settings)


def _calibrate(
    asked: list[tuple[str, Path]],
    bench: Bench,
    plot: Path | None,
    as_json: bool,
    hold: str | None,
    gauge: tuple[Any, Any] | None,
    days: int,
    report: Path | None,
    output: Path | None,
    **settings: Any,
) -> None:
    from datetime import date, timedelta

    import numpy as np

    from ....analysis.calibration.fit import Problem
    from ....analysis.calibration.methods import gauge_block
    from ....analysis.errors import Fault, InputError
    from ....analysis.files.bench_text import with_values
    from ....analysis.units import Measured
    from .calibration_readings import read_source

    sources = [read_source(name, path, bench, **settings) for name, path in asked]
    scale = bench.gap.scale
    if bench.gap.ladder == "spacers" and bench.gap.spacer is not None:
        scale = Measured(1.0, bench.gap.spacer.u / bench.gap.spacer.value)
    stated = len(asked) > 1 or asked[0][0] == "coil"
    try:
        if gauge is not None:
            scale = gauge_block(scale, *gauge)
        temperature = bench.site.temperature.value
        problem = Problem(
            sources, bench.reference_magnet, bench.gap.contact, temperature, hold, scale, stated=stated
        )
        found = problem.solve()
    except ValueError as error:
        expected = "readings of one calibration"
        raise InputError(str(asked[0][1]), [Fault("readings", str(error), expected)]) from None
    today = date.today()
    dates = (today.isoformat(), (today + timedelta(days=days)).isoformat())
    lines = found.bench_lines(bench, *dates)
    if plot is not None:
        _draw(np.concatenate([s.heights for s in sources]), found, plot)
    if report is not None:
        from ....analysis.report.calibration import write_calibration

        write_calibration(found, sources, bench, dates, report)
    if output is not None:
        text = with_values(bench.source_text, found.bench_values(bench, *dates), str(output))
        output.write_text(text, encoding="utf-8")
    if as_json:
        print_json(_as_json(found, lines))
    else:
        rms = float((found.residuals[found.used] ** 2).mean() ** 0.5)
        print(f"# {found.method}: {int(found.used.sum())} readings, residuals {significant(rms, 2)} u (rms)")
        print(lines, end="")
    for warning in found.warnings:
        note(f"Note: {warning}")


def _as_json(found: Calibration, lines: str) -> dict[str, Any]:
    return {
        "method": found.method,
        "remanence_T": found.remanence.value,
        "u_remanence_T": found.remanence.u,
        "contact_m": found.contact.value,
        "u_contact_m": found.contact.u,
        "correlation": found.correlation,
        "residuals": found.residuals.tolist(),
        "used": found.used.tolist(),
        "bench_lines": lines,
        "chi_square": dict(found.chi_square),
        "parameters": [
            {
                "name": name,
                "value": found.found(name).value,
                "u": found.found(name).u,
                "stated": found.stated[name].value,
                "u_stated": found.stated[name].u,
                "shift_in_u": found.pulls.get(name),
            }
            for name in found.names
        ],
        "covariance": found.covariance.tolist(),
    }


def _check(path: Path, bench: Bench, as_json: bool) -> None:
    from ....analysis.calibration.check import check_coil
    from ....analysis.errors import NotPossible
    from .calibration_readings import read_source

    if bench.coil is None:  # read_source says it better
        read_source("coil", path, bench)
    result = check_coil(read_source("coil", path, bench), bench)
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
