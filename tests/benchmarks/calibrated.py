"""Figures on benches as they really are: by the data sheet, a probe, a standard sample, a coil whose area is
known by its sizes or electrically, and a script of twenty lines.

    python -m tests.benchmarks.calibrated --benches 200
    python -m tests.benchmarks.calibrated --benches 200 --only coil --own-field 0.015
    python -m tests.benchmarks.calibrated --benches 200 --twin

Every bench is drawn (``models.uneven``): the magnet's core 4 % stronger or weaker than its rim, to a radius
between 0.5 and 0.8 of its own, its rear half by 2 %; remanence, sizes, contact gap, the lift's scale (0.5 %)
off as the file states them; sample, coil and probe beside the axis by what a lateral scan leaves (0.1 mm
along each side). The coil is weighed both ends up, with both directions of its current, noise of 1 mg and a
drift of 20 mg an hour. By its sizes a coil is of one layer (30 turns on 6.000 mm known to 10 um, 0.1 A); the
standard is a disc of the sample's nominal size whose moment does not change with the field and is known to
0.5 %. Each bench is drawn by itself, and each way on it: rows are of the same benches, whatever ``--only``
leaves out.

Of four samples in five the parts feel one another as their shape has it, of the others each itself alone
(``--together``), as likely as the analysis takes either to be. ``--own-field``: by which part (a standard
deviation) each sample's own field is another than its shape makes it, as any real one's may be. ``--twin``:
field, coil and samples by the bench twin's physics, whose magnet has a core to 0.6 of its radius and whose
samples have a memory.

In the table: rms error in per cent of the truth, median u, how often the 95 % interval held the truth, and
the mean error in stated uncertainties.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.optimize import curve_fit

from tests.support.models.forward import Pellet
from tests.support.models.loops import MU0, PER_KG, TanhLoop, readings_of
from tests.support.models.uneven import Disc, HasFigures, TrueCoil, UnevenBench
from tests.support.models.uneven_twin import Hysterons, TwinUnevenBench
from weighloop.analysis.calibration.coil import coil_source, pulls
from weighloop.analysis.calibration.methods import probe, standard, together
from weighloop.analysis.calibration.outcome import Calibration
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.forces.force import force
from weighloop.analysis.records.bench import Bench, Coil
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured
from weighloop.drivers.twin.field import CORE_RADIUS
from weighloop.drivers.twin.sample import SampleMaterial

FIGURES = {
    "remanence_A_per_m": "Mr",
    "saturation_A_per_m": "Ms",
    "coercivity_HcJ_A_per_m": "HcJ",
    "coercivity_HcB_A_per_m": "HcB",
    "BHmax_J_per_m3": "(BH)max",
}
MATERIALS = (TanhLoop(120e3, 60e3, 12e3), TanhLoop(160e3, 50e3, 10e3), TanhLoop(200e3, 55e3, 10e3))
HEIGHTS = np.geomspace(1e-3, 30e-3, 22) - 1e-3
COIL_HEIGHTS = np.array([0.0, 1.0, 3.0, 6.0, 11.0, 17.0]) * 1e-3
PROBE_HEIGHTS = np.arange(12) * 2e-3
U_DEPTH, U_GAIN, U_MOMENT = 0.1e-3, 0.005, 0.005
LAYER_TURNS, U_DIAMETER = 30, 10e-6
#: By way and figure, of each bench: relative error, relative u, whether the interval held.
Rows = dict[str, dict[str, list[tuple[float, float, bool]]]]

FILE = """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm +/- 0.02 mm"
height = "10 mm +/- 0.02 mm"
remanence = "1.30 T +/- 0.02 T"
[sample]
name = "WP-07-1"
shape = "cylinder"
diameter = "6 mm +/- 0.005 mm"
height = "3 mm +/- 0.005 mm"
offset = "0 mm +/- 0.1 mm"
[gap]
contact = "1.00 mm +/- 0.05 mm"
[lift]
port = "lift"
[balance]
resolution = "1 mg"
capacity = "220 g"
[site]
latitude = "53.4 deg +/- 0.1 deg"
altitude = "60 m +/- 20 m"
temperature = "20 degC +/- 0.3 degC"
"""


def drawn(
    rng: np.random.Generator, kind: type[UnevenBench] = UnevenBench
) -> tuple[UnevenBench, float, float]:
    """A bench of a kind as it really is, and the sample's diameter and height (m)."""
    z, twin = rng.standard_normal(8), kind is TwinUnevenBench
    core, radius = 0.04 * rng.choice([-1, 1]), rng.uniform(0.5, 0.8)
    bench = kind(
        remanence=1.30 + 0.02 * z[0],
        diameter=20e-3 + 2e-5 * z[1],
        height=10e-3 + 2e-5 * z[2],
        core=core,
        core_radius=CORE_RADIUS if twin else radius,
        rear=0.0 if twin else 0.02 * z[3],
        contact=1e-3 + 5e-5 * z[4],
        scale=1 + 0.005 * z[5],
        aside=float(np.hypot(*(1e-4 * rng.standard_normal(2)))),
    )
    return bench, 6e-3 + 5e-6 * z[6], 3e-3 + 5e-6 * z[7]


def one_layer_calibration(bench: UnevenBench, rng: np.random.Generator, file: Bench) -> Calibration:
    """The bench calibrated with a coil of one layer, whose area follows from its diameter."""
    radius = 3e-3 + U_DIAMETER / 2 * rng.standard_normal()
    nominal = TrueCoil(inner=radius, outer=radius, turn_area=LAYER_TURNS * np.pi * radius**2)
    diameter = Measured(6e-3, U_DIAMETER)
    stated = Coil(
        turns=LAYER_TURNS,
        inner_diameter=diameter,
        outer_diameter=diameter,
        height=Measured(nominal.height),
        rise=Measured(nominal.rise, 0.03e-3),
        thickness=Measured(nominal.thickness, 0.01e-3),
    )
    return _by_coil(bench, nominal, stated, 0.0, 0.1, rng, file)


def coil_calibration(bench: UnevenBench, u_area: float, rng: np.random.Generator, file: Bench) -> Calibration:
    """The bench calibrated with a coil, whose turns times area are known to ``u_area`` (relative)."""
    nominal = TrueCoil()
    stated = Coil(
        turns=291,
        inner_diameter=Measured(2 * nominal.inner),
        outer_diameter=Measured(2 * nominal.outer),
        height=Measured(nominal.height),
        rise=Measured(nominal.rise, 0.03e-3),
        thickness=Measured(nominal.thickness, 0.01e-3),
        turn_area=Measured(nominal.turn_area, u_area * nominal.turn_area),
    )
    return _by_coil(bench, nominal, stated, u_area, 48e-3, rng, file)


def _by_coil(
    bench: UnevenBench,
    nominal: TrueCoil,
    stated: Coil,
    u_area: float,
    amperes: float,
    rng: np.random.Generator,
    file: Bench,
) -> Calibration:
    """A coil like ``nominal`` but for what is not known of it, weighed with ``amperes``."""
    z = rng.standard_normal(4)
    coil = replace(
        nominal,
        rise=nominal.rise + 0.03e-3 * z[0],
        thickness=nominal.thickness + 0.01e-3 * z[1],
        turn_area=nominal.turn_area * (1 + u_area * z[2]),
    )
    heights, ends = np.tile(COIL_HEIGHTS, 2), np.repeat([1.0, -1.0], len(COIL_HEIGHTS))
    true = -bench.pull_on(coil, heights, ends) * (1 + 5e-4 * z[3]) / PER_KG
    rows = np.repeat(np.arange(len(heights)), 4)
    current = np.tile([1.0, -1.0, -1.0, 1.0], len(heights)) * amperes
    drift = 20e-6 * np.arange(len(rows)) / 120  # two readings a minute
    reading = np.round(true[rows] * current + drift + 1e-6 * rng.standard_normal(len(rows)), 6)
    found = pulls(heights[rows], current, reading, ends=ends[rows], least_u=3e-7)
    source = coil_source(
        stated,
        file.reference_magnet,
        found.heights,
        np.asarray(force(found.per_ampere, file)),
        contact=file.gap.contact,
        offset=file.sample.offset,
        u=found.u * PER_KG,
        ends=found.ends,
    )
    return together([source], file.reference_magnet, contact=file.gap.contact, scale=file.gap.scale)


def probe_calibration(bench: UnevenBench, rng: np.random.Generator, file: Bench) -> Calibration:
    """The same with a field probe on what it takes for the axis."""
    depth, gain = U_DEPTH * rng.standard_normal(), 1 + U_GAIN * rng.standard_normal()
    gap = bench.gap(PROBE_HEIGHTS) + depth
    B = gain * bench.field(np.full(len(gap), bench.aside), np.zeros(len(gap)), gap)[0]
    source = probe(
        PROBE_HEIGHTS,
        B + 2e-4 * rng.standard_normal(len(B)),
        probe_offset=Measured(0.0, U_DEPTH),
        u_B=2e-4,
        gain_u=U_GAIN,
    )
    return together([source], file.reference_magnet, contact=file.gap.contact, scale=file.gap.scale)


def standard_calibration(bench: UnevenBench, rng: np.random.Generator, file: Bench) -> Calibration:
    """The same with a hard disc of known moment, weighed at the probe's heights."""
    pellet = Pellet("cylinder", 6e-3, 3e-3, rings=5, layers=8)
    rho, _, z, weight = pellet.nodes()
    around = (np.arange(8) + 0.5) * np.pi / 8  # half a turn: the other half is its mirror image
    x, y = bench.aside + rho[:, None] * np.cos(around), rho[:, None] * np.sin(around)
    moment = Measured(200e3 * pellet.volume, U_MOMENT * 200e3 * pellet.volume)
    true = moment.value + moment.u * rng.standard_normal()
    slopes = [
        bench.field(x, y, np.broadcast_to(z[:, None] + g, x.shape))[1] for g in bench.gap(PROBE_HEIGHTS)
    ]
    gradient = [float(weight @ slope.mean(axis=1)) for slope in slopes]
    source = standard(
        file.reference_magnet,
        file.sample,
        moment,
        PROBE_HEIGHTS,
        -true * np.array(gradient) + 1e-6 * PER_KG * rng.standard_normal(len(PROBE_HEIGHTS)),
        contact=file.gap.contact,
        soft=False,  # and no uncertainty of the readings: no fit meets tens of grams to a milligram
    )
    return together([source], file.reference_magnet, contact=file.gap.contact, scale=file.gap.scale)


def calibrated(found: Calibration) -> Bench:
    """The bench file with a calibration's lines in it, read again."""
    import tomllib

    tables = tomllib.loads(FILE)
    for table, keys in tomllib.loads(
        found.bench_lines(parse_bench(FILE), "2026-11-28", "2027-05-27")
    ).items():
        tables.setdefault(table, {}).update(keys)
    lines = []
    for table, keys in tables.items():
        lines.append(f"[{table}]")
        lines += [f"{key} = {value!r}" for key, value in keys.items()]
    return parse_bench("\n".join(lines))


def script(gap: np.ndarray, orientation: np.ndarray, reading: np.ndarray, file: Bench) -> dict[str, float]:
    """What twenty lines of anybody's make of it: the field at the disc's centre, one tanh for the loop."""
    R, L, Br = 10e-3, 10e-3, file.reference_magnet.remanence.value
    z = gap + 1.5e-3
    B = Br / 2 * ((z + L) / np.hypot(R, z + L) - z / np.hypot(R, z))
    slope = Br / 2 * (R**2 / np.hypot(R, z + L) ** 3 - R**2 / np.hypot(R, z) ** 3)
    tensor, by = Pellet("cylinder", 6e-3, 3e-3, rings=7, layers=12).layered_tensor()
    N, V = float(by @ tensor.sum(axis=1)), np.pi / 4 * 6e-3**2 * 3e-3
    M = orientation * reading * 9.81 / (V * slope)
    H = orientation * B / MU0 - N * M
    n = len(HEIGHTS)
    branch = slice(n, 3 * n - 2)

    def tanh(h: np.ndarray, Ms: float, Hc: float, w: float) -> np.ndarray:
        return Ms * np.tanh((h + Hc) / w)

    (Ms, Hc, w), _ = curve_fit(tanh, H[branch], M[branch], (3e5, 4e4, 1e4), maxfev=20000)
    return TanhLoop(Ms, Hc, abs(w)).figures() | {"saturation_A_per_m": Ms}


#: The bench file by one way to calibrate a bench as it really is.
Way = Callable[[UnevenBench, np.random.Generator], Bench]


class Physics(NamedTuple):
    """A model of benches and samples."""

    bench: type[UnevenBench]
    materials: tuple[HasFigures, ...]


def physics(twin: bool) -> Physics:
    """The tests' own, or the bench twin's."""
    if not twin:
        return Physics(UnevenBench, MATERIALS)
    # (saturation, coercivity, width of its switching, A/m), as of MATERIALS; a part turns reversibly.
    made = ((120e3, 60e3, 5e3), (160e3, 50e3, 4e3), (200e3, 55e3, 4e3))
    return Physics(
        TwinUnevenBench,
        tuple(Hysterons(SampleMaterial(Ms, Hc, 0.08, s, 0.02, 150e3)) for Ms, Hc, s in made),
    )


def run(asked: argparse.Namespace) -> tuple[Rows, dict[str, int]]:
    """By way and figure: (relative error, relative u, held) of each bench; and how many were refused."""
    model, file = physics(asked.twin), parse_bench(FILE)
    ways: dict[str, Way] = {
        "data sheet": lambda bench, rng: file,
        "probe": lambda bench, rng: calibrated(probe_calibration(bench, rng, file)),
        "standard": lambda bench, rng: calibrated(standard_calibration(bench, rng, file)),
        "coil of one layer": lambda bench, rng: calibrated(one_layer_calibration(bench, rng, file)),
        "coil, area to 0.3 %": lambda bench, rng: calibrated(coil_calibration(bench, 0.003, rng, file)),
        "coil, area to 1 %": lambda bench, rng: calibrated(coil_calibration(bench, 0.01, rng, file)),
    }
    ways = {way: stated for way, stated in ways.items() if asked.only in way}
    rows: Rows = {way: {name: [] for name in FIGURES} for way in (*ways, "script")}
    refused = dict.fromkeys(ways, 0)
    for number in range(asked.benches):
        # Each bench by itself, and each way on it: the same whichever others are asked for.
        rng = np.random.default_rng([asked.seed, number])
        material = model.materials[number % len(model.materials)]
        bench, diameter, length = drawn(rng, model.bench)
        own_field, together = 1 + asked.own_field * rng.standard_normal(), rng.random() < asked.together
        disc = Disc(material, diameter, length, own_field, together)
        height, orientation, change = bench.weigh(disc, HEIGHTS)
        reading = np.round(change + 1e-6 * rng.standard_normal(len(change)), 6)
        truth = material.figures() | {"saturation_A_per_m": material.saturation}
        for way, stated in ways.items():
            try:
                known = stated(bench, np.random.default_rng([asked.seed, number, *way.encode()]))
            except NotPossible as why:
                refused[way] += 1
                print(f"bench {number + 1}, {way}: {why}".partition(". Check")[0], flush=True)
                continue
            gap = known.gap.contact.value + known.gap.scale.value * height
            table = readings_of(gap, orientation, reading, 1e-6)
            result = analyse(table, known, trials=asked.trials, seed=number)
            for name in FIGURES:
                f = result.figures[name]
                if f.status != "measured" or f.value is None or f.u is None or f.low95 is None:
                    continue
                assert f.high95 is not None
                off, u = f.value / truth[name] - 1, f.u / truth[name]
                rows[way][name].append((off, u, f.low95 <= truth[name] <= f.high95))
        gap = file.gap.contact.value + height
        found = script(gap, orientation, reading, file)
        for name in FIGURES:
            rows["script"][name].append((found[name] / truth[name] - 1, np.nan, False))
        if (number + 1) % 20 == 0:
            tell(rows, refused, number + 1)
    return rows, refused


def tell(rows: Rows, refused: dict[str, int], benches: int) -> None:
    """Print the table as it is after N benches: rms error / median u in per cent / held, mean error by u."""
    print(f"\n| {benches} benches, calibrated by | refused | {' | '.join(FIGURES.values())} |")
    print("| --- " * (2 + len(FIGURES)) + "|")
    for way, figures in rows.items():
        cells = []
        for name in FIGURES:
            off, u, held = np.array(figures[name], float).reshape(-1, 3).T
            cell = f"{100 * np.sqrt(np.mean(off**2)):.2f}" if len(off) else "–"
            if way != "script" and len(off):
                cell += (
                    f" / {100 * np.median(u):.2f} / {held.sum():.0f} of {len(off)}, {np.mean(off / u):+.1f}"
                )
            cells.append(cell)
        print(f"| {way} | {refused.get(way, '')} | {' | '.join(cells)} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="Ways with this in their names, such as coil.")
    parser.add_argument("--twin", action="store_true", help="Weighed by the bench twin's physics.")
    parser.add_argument("--own-field", type=float, default=0.0, help="What a sample's is off by.")
    parser.add_argument(
        "--together",
        type=float,
        default=0.8,
        help="Which part of the samples feel one another as their shape has it (the twin's all do).",
    )
    asked = parser.parse_args()
    start = time.process_time()
    rows, refused = run(asked)
    tell(rows, refused, asked.benches)
    seconds = time.process_time() - start
    print(f"{asked.benches} benches, {asked.trials} trials each, {seconds:.0f} s of processor")


if __name__ == "__main__":
    main()
