"""What a calibration by a coil leaves in gradient and field at the sample, by what is wrong with the magnet.

    python -m tests.benchmarks.uneven_magnets --benches 60 --seed 1

Benches as in ``calibrated``, the coil's area exact, so that what is left is the model's: a magnet of two
zones. Magnets of seven kinds, each no worse than a sound magnet may be (drawn evenly up to what is named):
core stronger or weaker and the rear half off (those of ``calibrated``); a core of 0.4 to 0.9 of the radius by
6 %; the rear half by 6 %; the front 2 mm by 10 %; a chamfer of 0.1 to 0.5 mm; a spot of 6 mm across, 2 to
6 mm beside the axis, by 8 %; a dead layer of up to 0.08 mm on face and mantle. Rms error and the calibrated
bench's median u, in per cent, at gaps of 1 to 25 mm; in the last line the factor by which all errors of a
kind exceed their u (rms; 1 is honest).
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from tests.benchmarks.calibrated import FILE, calibrated, coil_calibration, drawn
from tests.support.models.forward import Pellet
from tests.support.models.uneven import Part, UnevenBench
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.magnetostatics.bench_linearisation import (
    measured_inputs,
    stated_correlation,
    with_value,
)
from weighloop.analysis.magnetostatics.quadrature import mean_field
from weighloop.analysis.magnetostatics.settings import U_FIELD_MODEL
from weighloop.analysis.records.bench import Bench

KINDS = ("core and rear", "core", "rear", "front", "chamfer", "spot", "dead layer")
HEIGHTS = np.array([1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 18.0, 25.0]) * 1e-3 - 1e-3
_AROUND = (np.arange(12) + 0.5) * np.pi / 12
_SHAPES = ("reference_magnet.", "gap.")
_NO_SHAPES = ("reference_magnet.temperature_coefficient", "reference_magnet.recoil_permeability")


def odd(kind: str, rng: np.random.Generator) -> UnevenBench:
    """A bench whose magnet is of that kind."""
    bench, _, _ = drawn(rng)
    if kind == "core and rear":
        return bench
    bench = replace(bench, core=0.0, rear=0.0)
    Br, D, L, by = bench.remanence, bench.diameter, bench.height, rng.uniform(-1, 1)
    if kind == "core":
        return replace(bench, core=0.06 * by, core_radius=rng.uniform(0.4, 0.9))
    if kind == "rear":
        return replace(bench, rear=0.06 * by)
    if kind == "front":
        return replace(bench, parts=(Part(D, 2e-3, 0.10 * by * Br),))
    if kind == "spot":
        return replace(bench, parts=(Part(6e-3, L, 0.08 * by * Br, aside=rng.uniform(2e-3, 6e-3)),))
    if kind == "chamfer":
        wide, steps = rng.uniform(0.1e-3, 0.5e-3), 4
        cut = [(D - 2 * wide * (1 - (i + 0.5) / steps), i * wide / steps) for i in range(steps)]
        layers = [(Part(D, wide / steps, -Br, z), Part(d, wide / steps, Br, z)) for d, z in cut]
        return replace(bench, parts=tuple(part for both in layers for part in both))
    if kind == "dead layer":
        thick = rng.uniform(0, 0.08e-3)
        inner = D - 2 * thick
        return replace(bench, diameter=inner, height=L - thick, contact=bench.contact + thick, remanence=Br)
    raise ValueError(kind)


def at_sample(bench: UnevenBench) -> np.ndarray:
    """Mean field and gradient (2, h) over the nominal sample, on the axis."""
    rho, _, z, weight = Pellet("cylinder", 6e-3, 3e-3, rings=5, layers=8).nodes()
    x, y = rho[:, None] * np.cos(_AROUND), rho[:, None] * np.sin(_AROUND)
    found = []
    for gap in bench.gap(HEIGHTS):
        both = bench.field(x, y, np.broadcast_to(z[:, None] + gap, x.shape))
        found.append([float(weight @ values.mean(axis=1)) for values in both])
    return np.array(found).T


def by_file(bench: Bench) -> np.ndarray:
    """The same by a bench file."""
    gaps = np.asarray(bench.gap.at_height(HEIGHTS))
    return np.array(mean_field(bench.reference_magnet, bench.sample, gaps))


def left(bench: UnevenBench, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Relative errors of field and gradient (2, h) after a calibration, and their standard uncertainties."""
    known = calibrated(coil_calibration(bench, 1e-4, rng, parse_bench(FILE)))
    found = by_file(known)
    inputs = [(k, m) for k, m in measured_inputs(known) if k.startswith(_SHAPES) and k not in _NO_SHAPES]
    ways = np.array([by_file(with_value(known, key, m.u)) / found - 1 for key, m in inputs])
    tied = stated_correlation(known, tuple(key for key, _ in inputs))
    u = np.sqrt(np.einsum("ish,ij,jsh->sh", ways, tied, ways))
    u[0] = np.hypot(u[0], U_FIELD_MODEL)
    return found / at_sample(bench) - 1, u


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--benches", type=int, default=60, help="Of each kind.")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()

    def row(values: np.ndarray) -> str:
        return "  ".join(f"{100 * value:.2f}" for value in values)

    print("gap / mm           ", "  ".join(f"{1e3 * h + 1:4.3g}" for h in HEIGHTS))
    for kind in KINDS:
        rng = np.random.default_rng([asked.seed, KINDS.index(kind)])
        off, u, refused = [], [], 0
        for _ in range(asked.benches):
            bench = odd(kind, rng)
            try:
                one = left(bench, rng)
            except NotPossible:
                refused += 1
                continue
            off.append(one[0])
            u.append(one[1])
        errors, stated = np.array(off), np.array(u)
        print(f"{kind}, {refused} of {asked.benches} refused")
        for i, name in enumerate(("field", "gradient")):
            rms, factor = np.sqrt((errors[:, i] ** 2).mean(axis=0)), errors[:, i] / stated[:, i]
            print(f"  {name:9s} error  {row(rms)}")
            print(f"  {name:9s} u      {row(np.median(stated[:, i], axis=0))}")
            print(f"  {name:9s} by u   {np.sqrt(np.mean(factor**2)):.2f}", flush=True)


if __name__ == "__main__":
    main()
