"""A calibration from files: readings of one way or of several, in CSV, to the fit and what it found."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..errors import Fault, InputError
from ..files.csv_numbers import read_numbers
from ..forces.force import force
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.coil_readings import CoilReadings
from ..units import Measured
from . import methods
from .coil import COIL, source_of_coil
from .fit import Problem, Source
from .outcome import Calibration

#: No magnet on a balance pulls at what is farther away, m.
MOST_HEIGHT = 1.0
#: What a bench is calibrated with.
WAYS = ("probe", "standard", "pair", "coil")


def calibrate_from_files(
    bench: Bench,
    readings: Sequence[tuple[str, Path]],
    *,
    hold: str | None = None,
    gauge: tuple[Measured, Measured] | None = None,
    probe_depth: Measured = Measured(0.0, 0.2e-3),
    probe_gain: float = 0.01,
    moment: Measured | None = None,
    hard: bool = False,
) -> tuple[Calibration, list[Source]]:
    """One fit of the readings of each (way, CSV); with a coil, or with several, what the bench file states
    is one more reading of itself. SI; the settings are those of ``weighloop calibrate``.

    Gives the result and its readings. Raises InputError for a faulty file, NotPossible where the readings
    cannot tell remanence from contact or no bench of the kind described fits them.
    """
    sources = [read_source(way, path, bench, probe_depth, probe_gain, moment, hard) for way, path in readings]
    return calibrate(bench, sources, hold=hold, gauge=gauge, named=str(readings[0][1])), sources


def calibrate(
    bench: Bench,
    sources: Sequence[Source],
    *,
    hold: str | None = None,
    gauge: tuple[Measured, Measured] | None = None,
    named: str = "readings",
) -> Calibration:
    """One fit of the sources, ``named`` in messages; raises as ``calibrate_from_files``."""
    scale = bench.gap.scale
    if bench.gap.ladder == "spacers" and bench.gap.spacer is not None:
        scale = Measured(1.0, bench.gap.spacer.u / bench.gap.spacer.value)
    stated = len(sources) > 1 or sources[0].method == COIL
    try:
        if gauge is not None:
            scale = methods.gauge_block(scale, *gauge)
        temperature = bench.site.temperature.value
        problem = Problem(
            sources, bench.reference_magnet, bench.gap.contact, temperature, hold, scale, stated=stated
        )
        return problem.solve()
    except ValueError as error:
        raise InputError(named, [Fault("readings", str(error), "readings of one calibration")]) from None


def read_source(
    way: str,
    path: Path,
    bench: Bench,
    probe_depth: Measured = Measured(0.0, 0.2e-3),
    probe_gain: float = 0.01,
    moment: Measured | None = None,
    hard: bool = False,
) -> Source:
    """Readings of one way in a CSV, checked; raises InputError naming file, place and what would be right.

    Raises ValueError for a way that there is not, or a standard without its ``moment``.
    """
    if way not in WAYS:
        raise ValueError(f"a bench is calibrated with {', '.join(WAYS)}, not {way!r}")
    if way == "standard" and moment is None:
        raise ValueError("a standard needs its moment")
    if way == "coil":
        readings = read_coil(path, bench)
        try:
            return source_of_coil(readings, bench)
        except ValueError as error:
            expected = "readings of one calibration"
            raise InputError(str(path), [Fault("readings", str(error), expected)]) from None
    table, height = _table(path, bench, ("B_mT",) if way == "probe" else ("reading_g",))
    u = None if "u" not in table else table["u"] * 1e-3
    magnet, contact = bench.reference_magnet, bench.gap.contact
    try:
        if way == "probe":
            B = table["B_mT"] * 1e-3
            return methods.probe(height, B, probe_offset=probe_depth, gain_u=probe_gain, u_B=u)
        reading = table["reading_g"] * 1e-3
        _within_capacity(reading, bench, path)
        pull = force(reading, bench)
        u_force = None if u is None else abs(force(u, bench))
        if way == "pair":
            return methods.pair(magnet, height, pull, contact=contact, u_force=u_force)
        assert moment is not None
        return methods.standard(
            magnet, bench.sample, moment, height, pull, contact=contact, soft=not hard, u_force=u_force
        )
    except InputError:
        raise
    except ValueError as error:
        raise InputError(str(path), [Fault("readings", str(error), "readings of one calibration")]) from None


def _within_capacity(reading: Floats, bench: Bench, path: Path) -> None:
    beyond = np.flatnonzero(np.abs(reading) > bench.balance.capacity)
    if len(beyond):
        worst, most = 1e3 * reading[beyond[0]], 1e3 * bench.balance.capacity
        expected = f"within the balance's capacity, {most:g} g: begin farther away"
        raise InputError(str(path), [Fault(f"reading {beyond[0] + 1}", f"{worst:g} g", expected)])


def read_coil(path: Path, bench: Bench) -> CoilReadings:
    """A coil's readings in a CSV, checked; raises InputError naming file, place and what would be right."""
    table, height = _table(path, bench, ("current_mA", "reading_g"))
    reading = table["reading_g"] * 1e-3
    _within_capacity(reading, bench, path)
    if bench.coil is None:
        expected = "a table [coil] with turns, inner_diameter, outer_diameter and height"
        raise InputError(str(path), [Fault("coil", "the bench file describes none", expected)])
    resistance = None
    if "resistance_ohm" in table:
        if bench.coil.resistance is None:
            expected = "[coil] resistance in the bench file: that at 20 degC"
            raise InputError(str(path), [Fault("column resistance_ohm", "nothing to compare with", expected)])
        resistance = float(np.mean(table["resistance_ohm"]))
    u = None if "u" not in table else table["u"] * 1e-3
    end, current = table.get("end", np.ones_like(height)), table["current_mA"] * 1e-3
    return CoilReadings(height, end, current, reading, u, resistance=resistance, source=str(path))


def _table(path: Path, bench: Bench, needed: tuple[str, ...]) -> tuple[dict[str, Floats], Floats]:
    """The columns of a calibration's CSV, and its heights (m)."""
    table = read_numbers(
        path, "calibration CSV", needed, ("height_mm", "spacers", "u", "end", "resistance_ohm")
    )
    if "height_mm" in table:
        height = table["height_mm"] * 1e-3
    elif "spacers" in table and bench.gap.spacer is not None:
        height = table["spacers"] * bench.gap.spacer.value
    else:
        expected = "a column height_mm, or spacers and the thickness of one in the bench file"
        raise InputError(str(path), [Fault("header", "no heights", expected)])
    beyond = np.flatnonzero((height < 0) | (height > MOST_HEIGHT))
    if len(beyond):
        found = f"{1e3 * height[beyond[0]]:g} mm"
        expected = f"0 to {1e3 * MOST_HEIGHT:g} mm above the closest"
        raise InputError(str(path), [Fault(f"height {beyond[0] + 1}", found, expected)])
    return table, height
