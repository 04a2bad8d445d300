"""The readings of a calibration, from a CSV to what the fit takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

    from ....analysis.calibration.fit import Source
    from ....analysis.records.bench import Bench
    from ....analysis.units import Measured


def read_source(
    way: str,
    path: Path,
    bench: Bench,
    probe_depth: Measured | None = None,
    probe_gain: float = 0.0,
    moment: Measured | None = None,
    hard: bool = False,
) -> Source:
    """Readings of one way in a CSV, checked; raises InputError naming file, place and what would be right."""
    from ....analysis.calibration import methods
    from ....analysis.errors import Fault, InputError
    from ....analysis.files.csv_numbers import read_numbers
    from ....analysis.forces.force import force

    needed = {"probe": ("B_mT",), "coil": ("current_mA", "reading_g")}.get(way, ("reading_g",))
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
    u = None if "u" not in table else table["u"] * 1e-3
    magnet, contact = bench.reference_magnet, bench.gap.contact
    try:
        if way == "probe":
            assert probe_depth is not None
            B = table["B_mT"] * 1e-3
            return methods.probe(height, B, probe_offset=probe_depth, gain_u=probe_gain, u_B=u)
        reading = table["reading_g"] * 1e-3
        _within_capacity(reading, bench, path)
        if way == "coil":
            return _coil(table, height, reading, u, bench, path)
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


def _within_capacity(reading: np.ndarray, bench: Bench, path: Path) -> None:
    import numpy as np

    from ....analysis.errors import Fault, InputError

    beyond = np.flatnonzero(np.abs(reading) > bench.balance.capacity)
    if len(beyond):
        worst, most = 1e3 * reading[beyond[0]], 1e3 * bench.balance.capacity
        expected = f"within the balance's capacity, {most:g} g: begin farther away"
        raise InputError(str(path), [Fault(f"reading {beyond[0] + 1}", f"{worst:g} g", expected)])


def _coil(
    table: dict[str, np.ndarray],
    height: np.ndarray,
    reading: np.ndarray,
    u: np.ndarray | None,
    bench: Bench,
    path: Path,
) -> Source:
    from dataclasses import replace

    import numpy as np

    from ....analysis.calibration.coil import coil_source, pulls
    from ....analysis.errors import Fault, InputError
    from ....analysis.forces.force import force, force_per_kg
    from ....analysis.magnetostatics.bench_linearisation import with_value
    from ....analysis.magnetostatics.current_loop import warming
    from ....analysis.units import Measured

    coil = bench.coil
    if coil is None:
        expected = "a table [coil] with turns, inner_diameter, outer_diameter and height"
        raise InputError(str(path), [Fault("coil", "the bench file describes none", expected)])
    # Gravity is a part of the force's scale, like the current.
    here, site = force_per_kg(bench.site), bench.site
    gravity = [
        (force_per_kg(with_value(bench, f"site.{key}", value.u).site) / here - 1)
        for key, value in (("latitude", site.latitude), ("altitude", site.altitude))
    ]
    gain = coil.current_gain
    coil = replace(coil, current_gain=Measured(gain.value, float(np.linalg.norm([gain.u, *gravity]))))
    found = pulls(
        height,
        table["current_mA"] * 1e-3,
        reading,
        ends=table.get("end"),
        u=u,
        least_u=bench.balance.resolution / np.sqrt(12),
    )
    warmth = 0.0
    if "resistance_ohm" in table:
        if coil.resistance is None:
            expected = "[coil] resistance in the bench file: that at 20 degC"
            raise InputError(str(path), [Fault("column resistance_ohm", "nothing to compare with", expected)])
        warmth = warming(coil, float(np.mean(table["resistance_ohm"])))
    per_ampere = force(found.per_ampere, bench)
    if np.median(per_ampere) < 0:
        # Which way the current goes round is the person's to choose.
        per_ampere = -per_ampere
    return coil_source(
        coil,
        bench.reference_magnet,
        found.heights,
        per_ampere,
        contact=bench.gap.contact,
        offset=bench.sample.offset,
        u=found.u * here,
        ends=found.ends,
        warmth=warmth,
    )
