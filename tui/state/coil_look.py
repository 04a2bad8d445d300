"""What a run that weighs the coil shows so far: gap by gap, against the bench file and against the fit.

Heavy imports inside; asked for through ``compute_process``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ...analysis.errors import WeighloopError
from ...daemon.protocol import Run

if TYPE_CHECKING:
    from ...analysis.calibration.fit import Source
    from ...analysis.calibration.outcome import Calibration
    from ...analysis.records.arrays import Floats
    from ...analysis.records.bench import Bench
    from ...analysis.records.coil_readings import CoilReadings

#: Gaps from which on the fit is tried; and the days until a calibration expires.
LEAST_GAPS, VALID_DAYS = 3, 180


@dataclass(frozen=True)
class CoilStop:
    """The pull at one ``gap`` (m) with an ``end`` (+1 or -1) down: ``pull`` (kg), its standard uncertainty
    ``u``, ``foreseen`` by the bench file; ``residual`` of the fit in standard uncertainties, None before."""

    gap: float
    end: int
    pull: float
    u: float
    foreseen: float
    residual: float | None


@dataclass(frozen=True)
class CoilLook:
    """``lines`` say what was found; ``fitted`` whether that is a calibration, with the bench file
    ``calibrated`` (TOML) then."""

    stops: tuple[CoilStop, ...]
    lines: tuple[str, ...]
    fitted: bool = False
    calibrated: str = ""
    #: Where the coil is moved sideways, place after place: x and y (m) of its seat, the pull (kg).
    places: tuple[tuple[float, float, float], ...] = ()


def coil_look(run: Run) -> CoilLook:
    """The run as it stands. Raises WeighloopError in words where nothing is known of it yet."""
    import numpy as np

    from ...analysis.calibration.check import check_coil, foreseen
    from ...analysis.calibration.coil import source_of_coil
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.forces.force import force_per_kg
    from ...daemon.store.coil_table import coil_readings_of

    bench = parse_bench(run["bench_text"], f"the bench file of run {run['id']}")
    readings = coil_readings_of(run, bench)
    if readings.seat is not None:
        return CoilLook((), _axis_words(readings, bench), places=_places(readings, readings.seat))
    source = source_of_coil(readings, bench)
    residuals = np.full(len(source.heights), np.nan)
    found, lines, text = None, (), ""
    if len(np.unique(source.heights)) >= LEAST_GAPS:
        try:
            found = _calibrated(source, bench)
            residuals, lines = found.residuals, _words(found, bench)
            text = found.applied_to(bench, *_dates()).source_text
        except WeighloopError as error:
            lines = (str(error),)
    elif run["state"] in ("finished", "stopped"):
        lines = (check_coil(source, bench).words,)
    ends = np.ones_like(source.heights) if source.ends is None else source.ends
    amperes = float(np.mean(np.abs(readings.current)))
    kilograms = amperes / force_per_kg(bench.site)
    by_file, u = foreseen(source, bench), source.spread(bench.reference_magnet)
    stops = tuple(
        CoilStop(
            float(bench.gap.at_height(np.array([height]))[0]),
            int(end),
            float(measured * kilograms),
            float(own * kilograms),
            float(expected * kilograms),
            None if math.isnan(residual) else float(residual),
        )
        for height, end, measured, own, expected, residual in zip(
            source.heights, ends, source.measured, u, by_file, residuals, strict=True
        )
    )
    return CoilLook(stops, lines, found is not None, text)


def _places(readings: CoilReadings, seat: Floats) -> tuple[tuple[float, float, float], ...]:
    import numpy as np

    from ...analysis.calibration.coil import pulls

    new = np.any(np.diff(seat, axis=0, prepend=np.nan) != 0, axis=1)
    found = pulls(np.cumsum(new), readings.current, readings.reading, u=readings.u)
    amperes = float(np.mean(np.abs(readings.current)))
    rows = np.column_stack([seat[new], np.abs(found.per_ampere) * amperes])
    return tuple((x, y, pull) for x, y, pull in rows.tolist())


def _axis_words(readings: CoilReadings, bench: Bench) -> tuple[str, ...]:
    """Where the axis is, or why the places do not tell it."""
    from ...analysis.calibration.axis import axis_of_run

    try:
        found = axis_of_run(readings, bench)
    except WeighloopError as error:
        return (str(error),)
    return (*found.words, *found.advice)


def write_coil_report(run: Run, path: str) -> tuple[str, ...]:
    """Write the page of a run's calibration to ``path`` (.html or .pdf) and the calibrated bench file beside
    it, where none stands yet; of a scan for the axis the page alone. Gives the paths. Raises WeighloopError
    in words."""
    from pathlib import Path

    from ...analysis.calibration.axis import axis_of_run
    from ...analysis.calibration.coil import source_of_coil
    from ...analysis.errors import NotPossible
    from ...analysis.files.bench_file import parse_bench
    from ...analysis.report.axis import write_axis
    from ...analysis.report.calibration import write_calibration
    from ...daemon.store.coil_table import coil_readings_of

    bench = parse_bench(run["bench_text"], f"the bench file of run {run['id']}")
    readings = coil_readings_of(run, bench)
    if readings.seat is not None:
        write_axis(axis_of_run(readings, bench), bench, readings.source, Path(path))
        return (path,)
    source = source_of_coil(readings, bench)
    found = _calibrated(source, bench)
    file = Path(path).with_suffix(".toml")
    if file.exists():
        raise NotPossible(f"{file} is there already: choose another name")
    write_calibration(found, [source], bench, _dates(), Path(path))
    file.write_text(found.applied_to(bench, *_dates()).source_text, encoding="utf-8")
    return path, str(file)


def _calibrated(source: Source, bench: Bench) -> Calibration:
    from ...analysis.calibration.from_files import calibrate

    return calibrate(bench, [source], named="the run")


def _dates() -> tuple[str, str]:
    from datetime import date, timedelta

    return date.today().isoformat(), (date.today() + timedelta(days=VALID_DAYS)).isoformat()


def _words(found: Calibration, bench: Bench) -> tuple[str, ...]:
    from ...analysis.calibration.outcome import with_u

    lines = [
        f"remanence  {with_u(found.remanence, 1.0, 'T')}",
        f"contact    {with_u(found.contact, 1e3, 'mm')}",
    ]
    if "scale" in found.names:
        lines.append(f"heights    {with_u(found.found('scale'), 1.0, '')}")
    if "core_excess" in found.names:
        lines.append(f"core       {with_u(found.found('core_excess'), 100.0, '%')}")
    lines += [f"chi-square {chi:.2f}" for chi in found.chi_square.values()]
    return (*lines, *(f"! {warning}" for warning in found.warnings))
