"""`weighloop calibrate`: fit the reference magnet's remanence and the contact gap."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..common import MeasuredQuantity, OneOf, bench_option, json_option, note, print_json, significant
from ..inputs import bench_of

if TYPE_CHECKING:
    import numpy as np

    from ....analysis.calibration.methods import Calibration
    from ....analysis.records.bench import Bench
    from ....analysis.units import Measured


@click.command("calibrate")
@click.argument("readings", type=click.Path(path_type=Path))
@bench_option
@click.option(
    "--from",
    "way",
    type=OneOf(["probe", "standard", "pair"]),
    required=True,
    help="Field probe on the axis; a standard sample of known moment; a second, like magnet.",
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
@click.option("--hold", type=OneOf(["remanence", "contact"]), help="Trust the bench file's; fit the other.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw the residuals into this file.")
@json_option
def command(readings: Path, bench_path: Path, plot: Path | None, as_json: bool, **settings: Any) -> None:
    """Fit remanence and contact gap to READINGS and print the lines for the bench file.

    READINGS is a CSV with `height_mm` (above the closest position) or `spacers`, and `B_mT`
    (probe) or `reading_g` (standard, pair: zeroed without it); optionally `u`, in the same unit.
    The sample of the bench file is the standard. Data that cannot tell remanence from the contact
    gap are refused.
    """

    if settings["way"] == "standard" and settings["moment"] is None:
        raise click.UsageError("a standard needs its --moment")
    bench = bench_of(bench_path)
    height, found = _fit(readings, bench, **settings)
    if plot is not None:
        _draw(height, found, plot)
    if as_json:
        print_json(
            {
                "method": found.method,
                "remanence_T": found.remanence.value,
                "u_remanence_T": found.remanence.u,
                "contact_m": found.contact.value,
                "u_contact_m": found.contact.u,
                "correlation": found.correlation,
                "residuals": found.residuals.tolist(),
                "used": found.used.tolist(),
                "bench_lines": found.bench_lines(),
            }
        )
    else:
        rms = float((found.residuals[found.used] ** 2).mean() ** 0.5)
        print(f"# {found.method}: {int(found.used.sum())} readings, residuals {significant(rms, 2)} u (rms)")
        print(found.bench_lines(), end="")
    for warning in found.warnings:
        note(f"Note: {warning}")


def _fit(
    path: Path,
    bench: Bench,
    way: str,
    probe_depth: Measured,
    probe_gain: float,
    moment: Measured | None,
    hard: bool,
    hold: str | None,
) -> tuple[np.ndarray, Calibration]:
    import numpy as np

    from ....analysis.calibration import methods as calibration
    from ....analysis.errors import Fault, InputError
    from ....analysis.files.csv_numbers import read_numbers
    from ....analysis.forces.force import force

    column = "B_mT" if way == "probe" else "reading_g"
    table = read_numbers(path, "calibration CSV", (column,), ("height_mm", "spacers", "u"))
    if "height_mm" in table:
        height = table["height_mm"] * 1e-3
    elif "spacers" in table and bench.gap.spacer is not None:
        height = table["spacers"] * bench.gap.spacer.value
    else:
        expected = "a column height_mm, or spacers and the thickness of one in the bench file"
        raise InputError(str(path), [Fault("header", "no heights", expected)])
    value, u = table[column] * 1e-3, table.get("u")
    magnet = bench.reference_magnet
    common: dict[str, Any] = {
        "contact": bench.gap.contact,
        "temperature": bench.site.temperature.value,
        "hold": hold,
    }
    try:
        if way == "probe":
            u_B = None if u is None else u * 1e-3
            return height, calibration.from_probe(
                magnet, height, value, probe_offset=probe_depth, gain_u=probe_gain, u_B=u_B, **common
            )
        beyond = np.flatnonzero(np.abs(value) > bench.balance.capacity)
        if len(beyond):
            worst, most = 1e3 * value[beyond[0]], 1e3 * bench.balance.capacity
            expected = f"within the balance's capacity, {most:g} g: begin farther away"
            raise InputError(str(path), [Fault(f"reading {beyond[0] + 1}", f"{worst:g} g", expected)])
        pull = np.asarray(force(value, bench))
        common["u_force"] = None if u is None else np.abs(np.asarray(force(u * 1e-3, bench)))
        if way == "pair":
            return height, calibration.from_pair(magnet, height, pull, **common)
        assert moment is not None
        return height, calibration.from_standard(
            magnet, bench.sample, moment, height, pull, soft=not hard, **common
        )
    except ValueError as error:
        raise InputError(str(path), [Fault("readings", str(error), "readings of one calibration")]) from None


def _draw(height: np.ndarray, found: Calibration, path: Path) -> None:
    from ....analysis.report.style import BRANCH_STYLE, MUTED, new_figure, save

    figure, axes = new_figure(height=3.0)
    style = BRANCH_STYLE["descending"]
    axes.axhline(0, color=MUTED, linewidth=0.8)
    axes.plot(height * 1e3, found.residuals, color=style["color"], marker=style["marker"], linestyle="none")
    axes.set_xlabel("height above the closest position, mm")
    axes.set_ylabel("residual / u")
    axes.set_title(f"Residuals: {found.method}", fontsize=10)
    save(figure, str(path))
