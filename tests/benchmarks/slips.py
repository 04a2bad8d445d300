"""How often a slip is found, by its kind, and how often one is seen where there is none.

    python -m tests.benchmarks.slips [--runs 100] [--seed 1]

Each run is weighed by the second forward model (memory in every part of the sample) on a bench whose file is
wrong within its uncertainties, 2 mg of noise, with one slip at a random place of the closed loop. *found*:
every wrong row is set aside (a reading of nearly nothing need not be); *its name*: with a warning that fits
the slip; *besides*: right rows set aside, a run in the mean; *harm*: of the runs in which the slip was not
found, how many had a figure farther from what the clean run says than two of its standard uncertainties.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from tests.benchmarks.coverage import drawn_file
from tests.support.models.forward import Magnet, Pellet, weigh
from tests.support.models.loops import PER_KG, readings_of, reclaimed_bench
from tests.support.models.preisach_medium import Material
from weighloop.analysis.figures.uncertainty import FigureResult
from weighloop.analysis.outliers.screen import find_outliers
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.results import analyse

SHIM = 1.2e-3  # kg
MATERIALS = {
    "not saturated": Material(coercivity=100e3, width=9e3),
    "saturated": Material(coercivity=40e3, width=5e3),
    "square": Material(coercivity=107e3, width=3e3),
}
LADDERS = {"22 gaps of a lift": np.geomspace(1e-3, 30e-3, 22), "30 shims": 1e-3 + 1e-3 * np.arange(30)}
#: A part of nearly nothing is nothing: rows that read less than this, kg, need not be found.
NOTHING = 2e-4


@dataclass(frozen=True, eq=False)
class Slipped:
    """A run with a slip: its readings, the rows that are wrong (indices), and the warnings that name it."""

    readings: Readings
    wrong: np.ndarray
    codes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Clean:
    """A run without: its readings, first row of each passage (the last entry is their number), and a
    generator for where and how."""

    readings: Readings
    at: tuple[int, ...]
    shims: bool
    rng: np.random.Generator

    def place(self, least: int = 1, most: int = 1) -> tuple[int, int]:
        """A row of the closed loop, ``least`` after a passage's first, ``most`` before its end; that end."""
        leg = int(self.rng.integers(1, 5))
        return int(self.rng.integers(self.at[leg] + least, self.at[leg + 1] - most)), self.at[leg + 1]


def one_reading(run: Clean) -> Slipped:
    """Digits turned about: 10 to 40 % off."""
    i, _ = run.place()
    reading = run.readings.reading.copy()
    reading[i] *= 1 + run.rng.choice([-1, 1]) * run.rng.uniform(0.1, 0.4)
    return _changed(run, np.array([i]), ("gap-outlier", "zero-jump"), reading=reading)


def one_gap(run: Clean) -> Slipped:
    """A gap noted 0.4 to 0.9 of the way to the next."""
    i, _ = run.place()
    gap, part = run.readings.gap.copy(), run.rng.uniform(0.4, 0.9)
    gap[i] = (1 - part) * gap[i] + part * gap[i + 1]
    # Of a gap that is nobody's the spacers were not counted.
    spacers = run.readings.spacers.copy()
    spacers[i] = np.nan
    return _changed(run, np.array([i]), ("gap-outlier", "zero-jump"), gap=gap, spacers=spacers)


def same_gap_twice(run: Clean) -> Slipped:
    """A gap noted as the one after it."""
    i, _ = run.place(most=2)
    gap, spacers = run.readings.gap.copy(), run.readings.spacers.copy()
    gap[i], spacers[i] = gap[i + 1], spacers[i + 1]
    return _changed(run, np.array([i]), ("duplicate-gap",), gap=gap, spacers=spacers)


def one_zero(run: Clean) -> Slipped:
    """One reading taken without the re-zero: one to six spacers of 1.2 g too much."""
    i, _ = run.place()
    reading = run.readings.reading.copy()
    reading[i] += int(run.rng.integers(1, 7)) * SHIM
    # Where no spacers are known, nothing tells a zero from a reading noted wrongly.
    codes = ("zero-jump",) if run.shims else ("zero-jump", "gap-outlier")
    return _changed(run, np.array([i]), codes, reading=reading)


def zero_to_the_end_of_a_passage(run: Clean) -> Slipped:
    """A zero 2 to 6 g off from a row to the end of its passage."""
    i, end = run.place(least=4, most=2)
    reading = run.readings.reading.copy()
    reading[i:end] += run.rng.choice([-1, 1]) * run.rng.uniform(2e-3, 6e-3)
    return _changed(run, np.arange(i, end), ("zero-jump",), reading=reading)


def orientation(run: Clean) -> Slipped:
    """One orientation noted wrongly."""
    i, _ = run.place(most=2)
    turned = run.readings.orientation.copy()
    turned[i] *= -1
    return _changed(run, np.array([i]), ("orientation-suspect",), orientation=turned)


def turn_over_not_noted(run: Clean) -> Slipped:
    """Turned over, but noted as before for the two passages."""
    turned = run.readings.orientation.copy()
    rows = np.arange(run.at[2], run.at[4])
    turned[rows] *= -1
    return _changed(run, rows, ("orientation-suspect",), orientation=turned)


SLIPS: tuple[Callable[[Clean], Slipped], ...] = (
    one_reading,
    one_gap,
    same_gap_twice,
    one_zero,
    zero_to_the_end_of_a_passage,
    orientation,
    turn_over_not_noted,
)


def _changed(run: Clean, rows: np.ndarray, codes: tuple[str, ...], **columns: np.ndarray) -> Slipped:
    return Slipped(replace(run.readings, **columns), rows, codes)


@lru_cache(maxsize=8)
def _force(name: str, ladder: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, tuple[int, ...]]:
    """Gap, orientation, force free of noise, and the first row of each passage."""
    gaps = LADDERS[ladder]
    pellet = Pellet(rings=4, layers=6)
    run = weigh(Magnet(), pellet, MATERIALS[name], gaps, demagnetising="layered")
    n = len(gaps)
    return run.gap, run.orientation, run.force, (0, n, 2 * n - 1, 3 * n - 1, 4 * n - 2, 5 * n - 2)


def weighed(name: str, ladder: str, rng: np.random.Generator) -> tuple[Clean, Bench]:
    """A clean run and the file of its bench."""
    gap, orientation, force, at = _force(name, ladder)
    bench = reclaimed_bench()
    stated = drawn_file(bench, rng)
    reading = np.round(-force / PER_KG + 2e-6 * rng.standard_normal(len(force)), 6)
    shift = stated.gap.contact.value - bench.gap.contact.value
    readings = readings_of(gap + shift, orientation, reading, 2e-6)
    if "shims" in ladder:
        readings = replace(readings, spacers=np.round((gap - 1e-3) / 1e-3))
        stated = replace(stated, gap=replace(stated.gap, ladder="spacers", spacer_mass=SHIM))
    return Clean(readings, at, "shims" in ladder, rng), stated


@dataclass
class Count:
    """What became of one kind of slip."""

    runs: int = 0
    found: int = 0
    named: int = 0
    besides: int = 0
    harmed: int = 0
    tell: bool = False

    def line(self) -> str:
        """The table's row."""
        missed = self.runs - self.found
        harm = f"{self.harmed} of {missed}" if missed else ""
        return (
            f"{self.runs:5d} {100 * self.found / self.runs:7.1f} % {100 * self.named / self.runs:7.1f} %"
            f" {self.besides / self.runs:9.2f}   {harm}"
        )


def judge(slip: Callable[[Clean], Slipped], run: Clean, bench: Bench, count: Count) -> None:
    """One run with one slip: first the branches' own limits, then, where they do not tell, the whole fit."""
    slipped = slip(run)
    told = {int(i) for i in slipped.wrong if abs(run.readings.reading[i]) > NOTHING}
    arranged = find_outliers(slipped.readings, bench)
    points, warnings = arranged.points, arranged.warnings
    result = None
    if not told <= set(np.flatnonzero(~points.used)):
        result = analyse(slipped.readings, bench, trials=200, seed=1)
        points, warnings = result.points, result.warnings
    aside = set(np.flatnonzero(~points.used).tolist())
    rows = {row for w in warnings if w.code in slipped.codes for row in w.rows}
    found = told <= aside
    count.runs += 1
    count.found += found
    count.named += found and {int(run.readings.row[i]) for i in told} <= rows
    count.besides += len(aside - set(slipped.wrong.tolist()))
    if not found and result is not None:
        clean = analyse(run.readings, bench, trials=200, seed=1).figures
        moved = {name: _moved(result.figures[name], g) for name, g in clean.items()}
        count.harmed += any(abs(z) > 2 for z in moved.values())
        if count.tell:
            worst = max(moved, key=lambda name: abs(moved[name]))
            print(
                f"    missed {slipped.wrong + 1} (passages from {run.at}): {worst} by {moved[worst]:+.1f} u;"
                f" set aside {sorted(aside)}"
            )


def _moved(figure: FigureResult, clean: FigureResult) -> float:
    """By how much a figure is off what the clean run says, in its u; a bound claims less, and may be less."""
    if figure.value is None or clean.value is None or not clean.u:
        return 0.0
    z = (figure.value - clean.value) / clean.u
    return max(z, 0.0) if figure.status == "bound" else z


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=20, help="of each kind, sample and ladder")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tell", action="store_true", help="every run in which the slip was missed")
    asked = parser.parse_args()
    cases = [(name, ladder) for ladder in LADDERS for name in MATERIALS]
    print(f"{'':34s}{'runs':>5s} {'found':>9s} {'its name':>9s} {'besides':>9s}   harm")
    for slip in SLIPS:
        count = Count(tell=asked.tell)
        for k, (name, ladder) in enumerate(cases):
            for number in range(asked.runs):
                rng = np.random.default_rng([asked.seed, SLIPS.index(slip), k, number])
                run, bench = weighed(name, ladder, rng)
                judge(slip, run, bench, count)
        print(f"{slip.__name__.replace('_', ' '):34s}{count.line()}", flush=True)
    clean = alarms = 0
    for k, (name, ladder) in enumerate(cases):
        for number in range(asked.runs):
            run, bench = weighed(name, ladder, np.random.default_rng([asked.seed, 99, k, number]))
            arranged = find_outliers(run.readings, bench)
            clean += 1
            alarms += bool(arranged.warnings) or not arranged.points.used.all()
    print(f"no slip: {alarms} of {clean} runs with an alarm")


if __name__ == "__main__":
    main()
