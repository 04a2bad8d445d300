"""Reading while the lift moves, beside stopping for each reading, in the same time.

    python -m tests.benchmarks.sweep --samples 20

The passages of a sparse plan, weighed by the tests' second forward model on the twin's balance with the
disturbances of its usual bench. *Stopping*: the lift goes to each height, the settling filter says when the
reading is known to its target. *Sweeping*: the lift never stands; each passage takes as long as it took to
stop, each reading's share of it alike, and the pull at each height is that of a straight line through the
readings about it, against the height at which the stage was a balance's delay before. The delay is the
balance's own, known to ``U_DELAY``; a motor that runs shakes the pan by ``SHAKES``. In the first table the
errors of the pull, by what the gap's repeatability (``GAP_NOISE``) makes; in the second, rms errors of the
figures in per cent, and how often the interval held.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
from scipy.interpolate import PchipInterpolator

from tests.benchmarks.few_readings import FIGURES, GAP_NOISE, NOISE, Weighing
from tests.support.models.cells.truth import figures as true_figures
from tests.support.models.loops import PER_KG, readings_of
from weighloop.analysis.figures.uncertainty import FigureResult
from weighloop.analysis.magnetostatics.quadrature import mean_field
from weighloop.analysis.planning.fewest_readings import fewest_readings
from weighloop.analysis.planning.passages import LadderStep
from weighloop.analysis.records.arrays import Floats
from weighloop.analysis.results import analyse
from weighloop.analysis.settling import SettlingFilter
from weighloop.drivers.twin import bench_file
from weighloop.drivers.twin.balance import BalanceTwin
from weighloop.drivers.twin.bench import RATE
from weighloop.drivers.twin.disturbances import Disturbances

FEED, RAMP = 4e-3, 10e-3  # m/s, m/s²
SHAKES = 5e-3  # g rms on the pan, of each time step
U_DELAY = 0.02  # s
FEWEST = 4  # readings of the balance a fit needs for each of its unknowns
WIDEST = 1.5  # s to each side that it goes through
LEAST_U = 0.3e-6  # kg; below that no reading is believed
BANDS = ((0.0, 2e-3), (2e-3, 5e-3), (5e-3, 12e-3), (12e-3, 30e-3))  # m
WAYS = STOPPING, SWEEPING, EXACT = "stopping", "sweeping", "sweeping, delay known, nothing shakes"


class Scales:
    """The twin's balance and room; loads in kg, its figures in kg."""

    def __init__(self, seed: int) -> None:
        scenario = bench_file.read(bench_file.DEFAULT)
        weigh, disturb, shake = np.random.SeedSequence([27, seed]).spawn(3)
        self.balance = BalanceTwin(replace(scenario.balance, underload=-500.0), weigh, 1 / RATE)
        self.room = Disturbances(disturb, 1 / RATE, replace(scenario.levels, drift_rate=0.0))
        self.shake, self.ticks = np.random.default_rng(shake), 0
        self.every = round(RATE / scenario.balance.rate)
        maker = scenario.balance
        # Of the loop and of the mean over its window, and half a time step for the load that is held.
        self.delay = (
            2 * maker.damping / (2 * np.pi * maker.natural_frequency) + (maker.averaging - 1 / RATE) / 2
        )

    def answer(self, loads: Floats) -> Floats:
        """What the balance shows (kg) of loads a time step each, undisturbed and not rounded."""
        quiet = BalanceTwin(replace(self.balance.maker, noise=0.0), np.random.SeedSequence(0), 1 / RATE)
        quiet.settle(float(loads[0]))
        shown = np.empty(len(loads))
        for i, load in enumerate(loads):
            quiet.step(load)
            shown[i] = quiet.gross
        return shown

    def weigh(self, loads: Floats, shakes: float) -> Iterator[tuple[float, float]]:
        """Time (s) and figure (kg), under one load after the other, a time step each."""
        for load in loads:
            self.ticks += 1
            self.balance.step(1e3 * load + self.room.step() + shakes * self.shake.standard_normal())
            if self.ticks % self.every == 0:
                self.balance.refresh()
                yield self.ticks / RATE, 1e-3 * (self.balance.shown.value or 0.0)


@dataclass
class Passage:
    """Its steps, and by height the change against the zero (kg), true in history and exact at the steps, and
    that of an even magnetisation by the bench file."""

    steps: list[LadderStep]
    change: PchipInterpolator
    even: PchipInterpolator

    @property
    def heights(self) -> Floats:
        """Those of its steps, m."""
        return np.array([step.height for step in self.steps])


@dataclass
class Weighed:
    """A sample in one way: heights (n,), m, errors of the pull (n,) by what the gap repeats to, figures."""

    height: Floats
    error: Floats
    figures: Mapping[str, FigureResult]


def passages(w: Weighing) -> list[Passage]:
    """Those of the sparse plan, followed by the sample in the order taken."""
    w.begin()
    found = []
    for _, group in groupby(fewest_readings(w.bench, zeros="hand").ladder.steps, key=lambda s: s.leg):
        steps = list(group)
        heights = np.array([s.height for s in steps])
        z = np.unique(np.concatenate([np.geomspace(1e-3, 1e-3 + heights.max(), 160) - 1e-3, heights]))
        z = z[(z >= heights.min() - 1e-9) & (z <= heights.max() + 1e-9)]
        inward = heights[-1] < heights[0]
        order = z[::-1] if inward else z
        pull = [w.attraction(w.bench.gap.contact.value + w.contact + h, steps[0].orientation) for h in order]
        change = -np.array(pull) / PER_KG
        _, slope = mean_field(w.bench.reference_magnet, w.bench.sample, w.bench.gap.at_height(z))
        true = PchipInterpolator(z, change[::-1] if inward else change)
        found.append(Passage(steps, true, PchipInterpolator(z, 1e-3 * slope / np.abs(slope).max())))
    return found


def moved(start: float, end: float) -> Floats:
    """Heights (m) of each time step on the way, ramps at both ends."""
    way = abs(end - start)
    top = min(FEED, np.sqrt(way * RAMP))
    seconds = way / top + top / RAMP if way else 0.0
    t = np.arange(1, int(np.ceil(seconds * RATE)) + 1) / RATE
    up = np.minimum(t, top / RAMP)
    down = np.clip(t - (seconds - top / RAMP), 0.0, top / RAMP)
    gone = 0.5 * RAMP * up**2 + top * np.clip(t - top / RAMP, 0, None)
    gone = np.minimum(gone - 0.5 * RAMP * down**2, way)
    return start + np.sign(end - start) * gone


def stopped(
    passage: Passage, scales: Scales, settles: SettlingFilter, gap_noise: Floats
) -> tuple[Floats, Floats, float]:
    """Values and u (kg) at each step, and the seconds it took."""
    at, begun, values = passage.steps[0].height, scales.ticks, list[tuple[float, float]]()
    for step, off in zip(passage.steps, gap_noise, strict=True):
        slope = float(passage.change.derivative()(step.height))
        for t, y in scales.weigh(passage.change(moved(at, step.height)), SHAKES):
            settles.feed(t, y)
        at = step.height
        settles.begin(scales.ticks / RATE, max(NOISE, step.target_u))
        load = float(passage.change(at)) + slope * off
        state = None
        for t, y in scales.weigh(np.full(60 * RATE, load), 0.0):
            state = settles.feed(t, y)
            if state.accepted:
                break
        assert state is not None
        values.append((state.value or np.nan, state.u or np.nan))
    value, u = np.array(values).T
    return value, u, (scales.ticks - begun) / RATE


def swept(
    passage: Passage, scales: Scales, seconds: float, shakes: float, delay_off: float, off: float
) -> tuple[Floats, Floats]:
    """Values and u (kg) at each step of a passage that never stands, in as many ``seconds``.

    What is fitted is the pull by that of an even magnetisation, which the balance would have shown on the
    same way: so all that its delay does to a pull that grows with the field is taken off.
    """
    heights = passage.heights
    slot = seconds / len(heights)
    knots = slot * (0.5 + np.arange(len(heights)))
    path = PchipInterpolator(knots, heights)
    start, t = scales.ticks / RATE, np.arange(int(seconds * RATE)) / RATE
    z = path(np.clip(t, knots[0], knots[-1]))
    load = passage.change(z) + passage.change.derivative()(z) * off
    expected = scales.answer(passage.even(z))
    scales.balance.settle(1e3 * float(load[0]))  # it stood there while the sample was turned
    when, shown = np.array(list(scales.weigh(load, shakes))).T
    when = when - start
    ratio = shown / np.interp(when - delay_off, t, expected)
    at = path(np.clip(when - scales.delay, knots[0], knots[-1]))
    values = []
    for knot, height in zip(knots, heights, strict=True):
        half = np.clip(0.5 * slot, 0.5 * FEWEST * scales.every / RATE, WIDEST)
        near = np.abs(when - scales.delay - knot) <= half
        x, y = at[near] - height, ratio[near]
        order = min(2, int(near.sum()) // FEWEST - 1) if np.ptp(x) > 1e-6 else 0
        fit = np.polyfit(x, y, order)
        left = float(np.sum((np.polyval(fit, x) - y) ** 2))
        sd = np.sqrt(left / max(near.sum() - order - 1, 1) / (near.sum() / FEWEST))
        rate = abs(float(passage.change.derivative()(height)) * float(path.derivative()(knot)))
        even = abs(float(passage.even(height)))
        values.append(
            (fit[-1] * float(passage.even(height)), np.hypot(max(sd * even, LEAST_U), rate * U_DELAY))
        )
    value, u = np.array(values).T
    return value, u


def weighed(w: Weighing, number: int) -> tuple[dict[str, Weighed], float]:
    """One sample in every way, and the seconds each took."""
    walked, seconds, found = passages(w), list[float](), dict[str, Weighed]()
    random = np.random.default_rng([28, number])
    delay_off = U_DELAY * random.standard_normal()
    for way in WAYS:
        scales, settles = Scales(number), SettlingFilter(1e-6, NOISE)
        parts = list[tuple[Floats, Floats]]()
        for leg, passage in enumerate(walked):
            gap_noise = GAP_NOISE * random.standard_normal(len(passage.steps))
            if way == STOPPING:
                value, u, took = stopped(passage, scales, settles, gap_noise)
                seconds.append(took)
            else:
                shakes, off = (0.0, 0.0) if way == EXACT else (SHAKES, delay_off)
                value, u = swept(passage, scales, seconds[leg], shakes, off, float(gap_noise[0]))
            parts.append((value, u))
        steps = [step for passage in walked for step in passage.steps]
        true = np.concatenate([passage.change(passage.heights) for passage in walked])
        slope = np.concatenate([passage.change.derivative()(passage.heights) for passage in walked])
        value, u = np.concatenate(parts, axis=1)
        gap, orientation = np.array([(s.gap, s.orientation) for s in steps]).T
        table = readings_of(gap, orientation, value, u_reading=u)
        figures = analyse(table, w.bench, trials=200, seed=number).figures
        error = np.abs(value - true) / np.hypot(GAP_NOISE * slope, LEAST_U)
        found[way] = Weighed(np.array([s.height for s in steps]), error, figures)
    return found, sum(seconds)


def run(samples: int, seed: int) -> None:
    """Print both tables."""
    cases, truths, seconds = list[dict[str, Weighed]](), list[dict[str, float]](), list[float]()
    H = np.linspace(500e3, -500e3, 8001)
    for number in range(seed, seed + samples):
        w = Weighing(number, calibrated=True)
        truths.append(true_figures(H, w.major_descending(H)))
        case, took = weighed(w, number)
        cases.append(case)
        seconds.append(took)
    print(
        f"{samples} samples, {np.median(seconds):.0f} s in the median: errors of the pull, median and 90 %\n"
    )
    print("| way | " + " | ".join(f"{1e3 * a:g} to {1e3 * b:g} mm" for a, b in BANDS) + " |")
    print("| --- " * (1 + len(BANDS)) + "|")
    for way in WAYS:
        height = np.concatenate([case[way].height for case in cases])
        error = np.concatenate([case[way].error for case in cases])
        cells = [error[(low <= height) & (height < high)] for low, high in BANDS]
        told = " | ".join(f"{np.median(cell):.1f}, {np.quantile(cell, 0.9):.1f}" for cell in cells)
        print(f"| {way} | {told} |")
    print("\n| way | " + " | ".join(FIGURES.values()) + " |\n" + "| --- " * (1 + len(FIGURES)) + "|")
    for way in WAYS:
        cells = []
        for key in FIGURES:
            measured = [all(case[x].figures[key].status == "measured" for x in WAYS) for case in cases]
            told = [
                (case[way].figures[key], truth[key])
                for case, truth, yes in zip(cases, truths, measured, strict=True)
                if yes
            ]
            rms = 100 * np.sqrt(np.mean([(figure.value / true - 1) ** 2 for figure, true in told]))
            held = sum(figure.low95 <= true <= figure.high95 for figure, true in told)
            cells.append(f"{rms:.2f}, {held} of {len(told)}")
        print(f"| {way} | {' | '.join(cells)} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--samples", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    run(asked.samples, asked.seed)


if __name__ == "__main__":
    main()
