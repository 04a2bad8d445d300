"""Temperature coefficients from loops run while the bench warmed: errors in units of what is stated.

    python -m tests.benchmarks.repeats [--samples 60] [--seed 1] [--loops 8] [--kelvin 10] [--memory]
    python -m tests.benchmarks.repeats --twin FOLDER [--seed 1] [--loops 8] [--kelvin 10]

Every bench is drawn from its stated uncertainties (remanence, contact gap, sizes, gravity, the reference
magnet's own temperature coefficient, readings, setting of each gap), its thermistor shows 0.1 K beside the
sample's temperature, a steady part of 0.5 K besides; the sample's coefficients are drawn about those of
hard ferrite (-0.19 %/K of Br, +0.4 %/K of HcJ, from memory). ``--memory``: samples of the second model, with
memory at every point, in place of closed branches. ``--twin``: one sample, the twin's own, weighed by the
real procedure, controller and store while its room is heated and cools again.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from tests.benchmarks.coverage import drawn
from tests.support.bench.twin_night import TwinNight
from tests.support.models.forward import Magnet, Pellet, weigh
from tests.support.models.loops import TanhLoop, True_, noisy_run, readings_of, reclaimed_bench
from tests.support.models.preisach_medium import Material
from weighloop.analysis.figures.settings import U_GAP
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.repeat import RepeatResult, analyse_loops
from weighloop.analysis.report import write_repeat
from weighloop.daemon.store.run import read_stored
from weighloop.drivers.twin.room import warmed
from weighloop.drivers.twin.true_figures import truth
from weighloop.tui.cli.desk.repeat import repeat_table

Floats = np.ndarray
GAPS = np.geomspace(1e-3, 30e-3, 18)
NOISE = 2e-6


def tanh_loop(warmth: float, alpha: float, beta: float, number: int) -> TanhLoop:
    """A sample of closed branches, some kelvins above 20 degrees Celsius."""
    saturation, coercivity, width = ((150e3, 60e3, 9e3), (260e3, 45e3, 6e3), (300e3, 52e3, 10e3))[number % 3]
    b = 1.0 + beta * warmth
    return TanhLoop(saturation * (1.0 + alpha * warmth), coercivity * b, width * b)


def with_memory(seed: int, warmth: float, alpha: float, beta: float, truth: True_, number: int) -> Readings:
    """A loop of a sample that remembers at every point, every cell feeling every other."""
    a, b = 1.0 + alpha * warmth, 1.0 + beta * warmth
    s, c, w = ((150e3, 62e3, 6e3), (240e3, 50e3, 6e3), (120e3, 70e3, 9e3))[number % 3]
    material = Material(s * a, c * b, w * b, reversible=5e3 * a, reversible_field=150e3 * b)
    pellet = Pellet("cylinder", truth.diameter, truth.height, rings=4, layers=8)
    random = np.random.default_rng(seed)
    magnet = Magnet(remanence=truth.remanence)
    run = weigh(magnet, pellet, material, GAPS + truth.contact_error, demagnetising="layered")
    n = len(run.gap)
    # Each gap set again: how the force changes there along its own passage.
    slope = np.concatenate([np.gradient(run.force[run.leg == k], run.gap[run.leg == k]) for k in range(5)])
    force = run.force + slope * U_GAP * random.standard_normal(n)
    reading = np.round(-force / truth.per_kg + NOISE * random.standard_normal(n), 6)
    return readings_of(run.gap - truth.contact_error, run.orientation, reading, NOISE)


def run_of(
    number: int, random: np.random.Generator, loops: int, kelvin: float, memory: bool
) -> tuple[RepeatResult, float, float]:
    """One sample through a day: the result, and the true coefficients of Br and HcJ, 1/K."""
    bench = reclaimed_bench()
    magnet = bench.reference_magnet.temperature_coefficient
    own = magnet.value + magnet.u * random.standard_normal()
    alpha, beta = -0.0019 + 2e-4 * random.standard_normal(), 0.004 + 5e-4 * random.standard_normal()
    truth, off = drawn(random), 0.5 * random.standard_normal()
    hours = np.arange(loops) * 1.0
    warmth = 2.0 + kelvin * np.sin(np.pi * hours / (loops - 1.0)) if number % 2 else kelvin * hours / loops
    found = []
    for hour, warm in zip(hours, warmth, strict=True):
        here = replace(truth, remanence=truth.remanence * (1.0 + own * warm))
        seed = int(random.integers(2**31))
        if memory:
            readings = with_memory(seed, warm, alpha, beta, here, number)
        else:
            material = tanh_loop(warm, alpha, beta, number)
            readings = noisy_run(seed, material, GAPS, noise=NOISE, truth=here, gap_error=U_GAP)
        n = len(readings)
        shown = 293.15 + warm + off + 0.1 * random.standard_normal()
        readings = replace(
            readings,
            temperature=np.full(n, shown),
            time=30.0 * np.arange(n),
            started=f"2026-03-02T{int(hour):02d}:00:00+00:00",
            source=f"loop {len(found) + 1}",
        )
        found.append((readings, bench))
    return analyse_loops(found, trials=2000), alpha, beta


def on_the_twin(folder: Path, seed: int, loops: int, kelvin: float, points: int = 14) -> None:
    """Loops of the twin's disc, one after the other; the room warms and cools again by what it takes."""
    night = TwinNight(folder / "store.sqlite", seed)
    night.plan(points, loops)
    hours = 0.17 * loops  # what they take
    night.twin.do("heating", kelvin=kelvin, hours=hours / 2)
    until = night.twin.now + 3600.0 * 3.0 * hours
    while night.twin.now < until and len([r for r in night.store.runs() if r["state"] == "finished"]) < loops:
        night.advance(60.0)
        if night.twin.room.above(night.twin.now) == kelvin:
            night.twin.do("heating", kelvin=0.0, hours=hours / 2)
    done = [line["id"] for line in night.store.runs() if line["state"] == "finished"]
    found = []
    for number in done:
        begun = next(p["time_s"] for p in night.store.run(number)["points"] if p["kind"] == "point")
        readings, bench = read_stored(number, night.path)
        # The store's wall clock is not the twin's.
        at = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(seconds=begun)
        found.append((replace(readings, started=at.isoformat()), bench))
    result = analyse_loops(found)
    start, warm = (truth(warmed(night.twin.scenario, k))["figures"] for k in (0.0, 10.0))
    back = 20.0 - night.twin.scenario.temperature
    for c in result.coefficients:
        slope = (warm[c.figure] - start[c.figure]) / 10.0
        print(f"true {c.symbol} {100 * slope / (start[c.figure] + back * slope):.4f} %/K")
    print(repeat_table(result))
    write_repeat(result, folder / "repeat.html")


def main() -> None:
    """Print how many intervals hold, and how wide they are."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--samples", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--loops", type=int, default=8)
    parser.add_argument("--kelvin", type=float, default=10.0)
    parser.add_argument("--memory", action="store_true")
    parser.add_argument("--twin", type=Path, metavar="FOLDER", help="where its store and page are kept")
    o = parser.parse_args()
    if o.twin is not None:
        on_the_twin(o.twin, o.seed, o.loops, o.kelvin)
        return
    random = np.random.default_rng(o.seed)
    rows: dict[str, list[tuple[float, float, bool, float, float]]] = defaultdict(list)
    refused: dict[str, int] = defaultdict(int)
    begun = time.process_time()
    for number in range(o.samples):
        result, *true = run_of(number, random, o.loops, o.kelvin, o.memory)
        for c, value in zip(result.coefficients, true, strict=True):
            if c.value is None or c.u is None or c.low95 is None or c.high95 is None:
                refused[c.symbol] += 1
                continue
            r = next(r for r in result.repeatability if r.figure == c.figure)
            held = c.low95 <= value <= c.high95
            rows[c.symbol].append((c.value - value, c.u, held, r.scatter / r.expected, (c.u_shared or 0.0)))
    print(f"{o.samples} samples of {o.loops} loops over {o.kelvin:g} K, seed {o.seed}; ", end="")
    print(f"{(time.process_time() - begun) / o.samples / o.loops:.2f} s of processor a loop")
    print(
        "of, %/K        number  refused  held, %  mean z  rms z  rms error       u  shared  scatter/expected"
    )
    for symbol, found in rows.items():
        error, u, held, ratio, shared = np.array(found, float).T
        z = error / u
        print(
            f"{symbol:13} {len(z):7} {refused[symbol]:8} {100 * held.mean():8.1f} {z.mean():7.2f} "
            f"{np.sqrt(np.mean(z**2)):6.2f} {100 * np.sqrt(np.mean(error**2)):10.4f} "
            f"{100 * np.median(u):7.4f} {100 * np.median(shared):7.4f} {np.median(ratio):8.2f}"
        )


if __name__ == "__main__":
    main()
