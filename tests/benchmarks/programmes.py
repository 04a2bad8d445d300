"""Recoil and remanence programmes of drawn samples: errors in units of what is stated.

    python -m tests.benchmarks.programmes [--samples 10] [--seed 3]

The samples are the second model's, with memory at every point, over cylinder magnets of drawn strength; the
truth is what their material does in a uniform internal field. Constants of `analysis/programmes/settings.py`
are chosen with even seeds only.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import replace

import numpy as np

from tests.support.models.forward import Magnet, Pellet
from tests.support.models.preisach_medium import Material
from tests.support.models.programmes import led, readings, weighed
from tests.support.models.runs import bench_of
from weighloop.analysis.forces.force import force_per_kg
from weighloop.analysis.programmes import curves
from weighloop.analysis.programmes.history_fit import HistoryFit, fit_history
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.units import Measured

Floats = np.ndarray


def left_after(material: Material, top: float, fields: Floats) -> Floats:
    """Remanence after ever larger reverse fields, A/m."""
    path = [top, 0.0, *np.column_stack([-fields, np.zeros(len(fields))]).ravel()]
    return led(material, path)[3::2]


def score(name: str, history: HistoryFit, material: Material, errors: dict[str, list[float]]) -> None:
    """Errors of one run in standard uncertainties, by what they are of."""
    top = float(history.follow([history.largest]).H[0, 0])
    whole = led(material, [top, 0.0])[-1]
    fields = np.linspace(1e3, 0.9 * top, 400)
    left = left_after(material, top, fields)
    if name == "recoil":
        found = curves.recoil(history)
        for k in range(2, len(found.loss) - 2, 3):
            M = led(material, [top, 0.0, found.H_reverse[k], 0.0])
            errors["loss of flux"].append((found.loss[k] - 1.0 + M[-1] / whole) / found.u_loss[k])
            slope = 1.0 + (M[-1] - M[-2]) / -found.H_reverse[k]
            errors["recoil permeability"].append((found.permeability[k] - slope) / found.u_permeability[k])
        five = np.interp(0.05, 1.0 - left / whole, fields)
        errors["field of 5 % loss"].append((found.field_of_loss.value - five) / found.field_of_loss.u)
        return
    found = curves.remanence(history)
    errors["Mr"].append((found.remanence.value - whole) / found.remanence.u)
    errors["Hcr"].append((found.Hcr.value - np.interp(0.0, -left, fields)) / found.Hcr.u)
    for k in range(2, len(found.left) - 2, 3):
        floor = 1e-3 * whole
        acquired = led(material, [found.H[k], 0.0])[-1]
        errors["acquired"].append((found.acquired[k] - acquired) / max(found.u_acquired[k], floor))
        after = led(material, [top, 0.0, -found.H[k], 0.0])[-1]
        errors["left"].append((found.left[k] - after) / max(found.u_left[k], floor))


def main() -> int:
    """Print, for each quantity, how many intervals of two standard uncertainties hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10)
    parser.add_argument("--seed", type=int, default=3)
    o = parser.parse_args()
    random = np.random.default_rng(o.seed)
    errors: dict[str, list[float]] = defaultdict(list)
    seconds: list[float] = []
    for number in range(o.samples):
        magnet = Magnet(remanence=random.uniform(1.2, 1.4))
        size = {"diameter": random.uniform(4e-3, 7e-3), "height": random.uniform(2e-3, 4e-3)}
        pellet = Pellet(**size, rings=3, layers=6)
        material = Material(
            random.uniform(100e3, 320e3),
            random.uniform(60e3, 160e3),
            random.uniform(8e3, 25e3),
            reversible=random.uniform(2e3, 15e3),
        )
        exact = bench_of(magnet, pellet)
        bench = replace(
            exact,
            gap=replace(exact.gap, ladder="lift", travel=30e-3),
            reference_magnet=replace(exact.reference_magnet, pan_load=Measured(0.4)),
            balance=replace(exact.balance, capacity=0.6),
        )
        for name in ("recoil", "remanence"):
            plan = plan_programme(bench, programme(name), 22)
            run = weighed(magnet, pellet, material, plan)
            table = readings(run, number, attraction=-1.0, gravity=force_per_kg(bench.site))
            begun = time.process_time()
            history = fit_history(table, bench, draws=300)
            score(name, history, material, errors)
            seconds.append(time.process_time() - begun)
    print(f"{o.samples} samples, seed {o.seed}; {np.median(seconds):.1f} s of processor a run")
    print("of                    number  held, %   rms  largest")
    for name, found in errors.items():
        z = np.array(found)
        z = np.abs(z[np.isfinite(z)])
        print(
            f"{name:20} {len(z):7} {100 * np.mean(z < 2):8.1f} {np.sqrt(np.mean(z**2)):6.2f} {z.max():7.1f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
