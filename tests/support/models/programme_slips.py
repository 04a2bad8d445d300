"""Slips in runs of the programmes: what was done and what was noted differ, on the second bench.

Each slip says what the sample went through (``true``) and what the notebook has of it. Passages are short,
the sample is coarse: what is looked at is the slip, not the last per cent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from tests.support.models.forward import Magnet, Pellet, weigh
from tests.support.models.loops import PER_KG
from tests.support.models.preisach_medium import Material
from tests.support.models.programmes import led
from tests.support.models.runs import bench_of
from weighloop.analysis.planning.gap_ladder import LadderPlan
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import parse_programmes
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.readings import Readings
from weighloop.analysis.units import Measured

SHORT = """
[recoil]
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4}, {orientation = -1, from = 0.4, to = 0},
  {orientation = -1, from = 0, to = 1}, {orientation = -1, from = 1, to = 0},
]
[remanence]
passages = [
  {orientation = 1, from = 0, to = 0.4}, {orientation = 1, from = 0.4, to = 0},
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4}, {orientation = -1, from = 0.4, to = 0},
  {orientation = -1, from = 0, to = 1}, {orientation = -1, from = 1, to = 0},
]
[reversal]
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0.3},
  {orientation = 1, from = 0.3, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4}, {orientation = -1, from = 0.4, to = 0},
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 1},
]
[decay]
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4, wait_s = 7200}, {orientation = -1, from = 0.4, to = 0},
]
"""
NAMES = ("recoil", "remanence", "reversal", "decay")
#: It goes nearly as far as the bench reaches, and turns over by half of it.
MATERIAL = Material(250e3, 90e3, 14e3, reversible=8e3)
#: Of the decay, A/m per e-fold; the balance's noise, kg; one spacer's mass, kg.
S, NOISE, SHIM = 800.0, 1e-6, 1.2e-3
_MAGNET, _PELLET = Magnet(remanence=1.3), Pellet(rings=2, layers=4)


@cache
def bench() -> Bench:
    """The bench, with room for the pull of every programme."""
    exact = bench_of(_MAGNET, _PELLET)
    return replace(
        exact,
        gap=replace(exact.gap, ladder="lift", travel=30e-3),
        reference_magnet=replace(exact.reference_magnet, pan_load=Measured(0.4)),
        balance=replace(exact.balance, capacity=0.6),
    )


@cache
def plan(name: str, points: int = 9) -> LadderPlan:
    """The steps of a short programme."""
    return plan_programme(bench(), parse_programmes(SHORT, "short")[name], points)


@dataclass(frozen=True, eq=False)
class Way:
    """What the steps of a programme are, (n,): gap (m), orientation, passage, wait (s)."""

    gap: np.ndarray
    orientation: np.ndarray
    leg: np.ndarray
    wait: np.ndarray


@cache
def way(name: str) -> Way:
    """As planned."""
    steps = plan(name).steps
    columns = ([getattr(s, key) for s in steps] for key in ("gap", "orientation", "leg", "wait"))
    return Way(*map(np.array, columns))


def _pulls(true: Way, material: Material = MATERIAL) -> np.ndarray:
    """Free of noise, kg, attraction positive; while a field is held the sample loses S ln t."""
    run = weigh(
        _MAGNET,
        _PELLET,
        material,
        true.gap,
        path=(true.gap, true.orientation, true.leg),
        demagnetising="local",
    )
    lost = S * np.log1p(true.wait / 20.0)
    x, y, z, weight = _PELLET.nodes()
    gradient = np.array([weight @ _MAGNET.field(x, y, z + g)[1] for g in true.gap])
    return (run.force + true.orientation * _PELLET.volume * gradient * lost) / PER_KG


@cache
def _clean_pulls(name: str, material: Material = MATERIAL) -> np.ndarray:
    return _pulls(way(name), material)


def notebook(name: str, pulls: np.ndarray, noted: Way, seed: int) -> Readings:
    """The notebook of such pulls, with noise; every row has its zeros."""
    n = len(pulls)
    nothing = np.full(n, np.nan)
    noise = NOISE * np.random.default_rng(seed).standard_normal(n)
    time = np.cumsum(np.where(noted.wait > 0.0, np.diff(noted.wait, prepend=0.0), 20.0).clip(min=1.0))
    return Readings(
        row=np.arange(1, n + 1), gap=noted.gap, spacers=nothing,
        orientation=noted.orientation.astype(np.int64),
        reading=-pulls + noise, zero_before=np.zeros(n), zero_after=np.zeros(n), u_reading=np.full(n, NOISE),
        temperature=nothing, time=time, note=("",) * n, set_aside=(None,) * n, gives=name,
    )  # fmt: skip


def clean(name: str, seed: int = 0, material: Material = MATERIAL) -> Readings:
    """The run without a slip."""
    return notebook(name, _clean_pulls(name, material), way(name), seed)


def _stretch(name: str, rng: np.random.Generator) -> np.ndarray:
    """Rows from one of the closed part, to where its passage ends; of a decay some of those held."""
    w = way(name)
    if name == "decay":
        held = np.flatnonzero(w.wait > 0.0)
        return held[int(rng.integers(4, len(held) - 4)) :]
    legs = np.unique(w.leg[w.leg > 1])
    rows = np.flatnonzero(w.leg == rng.choice(legs[:-1]))
    return rows[int(rng.integers(1, max(2, len(rows) - 2))) :]


def re_zero_forgotten(name: str, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """One to three spacers' masses stay on the reading to the end of the passage."""
    rows, pulls = _stretch(name, rng), _clean_pulls(name).copy()
    pulls[rows] -= int(rng.integers(1, 4)) * SHIM
    return notebook(name, pulls, way(name), int(rng.integers(10**6))), rows


def common_shift(name: str, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """The zero has moved by 20 to 100 mg to the end of the passage."""
    rows, pulls = _stretch(name, rng), _clean_pulls(name).copy()
    pulls[rows] += rng.choice([-1, 1]) * rng.uniform(2e-5, 1e-4)
    return notebook(name, pulls, way(name), int(rng.integers(10**6))), rows


def one_outlier(name: str, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """Digits turned about: one reading is 10 to 40 % off."""
    row, pulls = _stretch(name, rng)[:1], _clean_pulls(name).copy()
    pulls[row] *= 1.0 + rng.choice([-1, 1]) * rng.uniform(0.1, 0.4)
    return notebook(name, pulls, way(name), int(rng.integers(10**6))), row


def wrong_count(name: str, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """One reading is taken a spacer of 1 mm farther than noted."""
    rows = _stretch(name, rng)[:1]
    return _elsewhere(name, rng, rows, 1e-3), rows


def lift_short(name: str, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """The lift has lost steps: to the end of the passage every gap is 0.3 to 0.8 mm wider than noted."""
    rows = _stretch(name, rng)
    return _elsewhere(name, rng, rows, rng.uniform(3e-4, 8e-4)), rows


def _elsewhere(name: str, rng: np.random.Generator, rows: np.ndarray, by: float) -> Readings:
    gap = way(name).gap.copy()
    gap[rows] += by
    return notebook(name, _pulls(replace(way(name), gap=gap)), way(name), int(rng.integers(10**6)))


def not_turned(name: str, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """The sample was not turned over where it was to be, and lies as before until the next turn."""
    w = way(name)
    first = int(np.flatnonzero(w.orientation < 0)[0])
    after = np.flatnonzero(w.orientation[first:] > 0)
    rows = np.arange(first, first + int(after[0]) if len(after) else len(w.gap))
    orientation = w.orientation.copy()
    orientation[rows] = 1
    return notebook(name, _pulls(replace(w, orientation=orientation)), w, int(rng.integers(10**6))), rows


Slip = Callable[[str, np.random.Generator], tuple[Readings, np.ndarray]]
SLIPS: tuple[Slip, ...] = (
    re_zero_forgotten, common_shift, one_outlier, wrong_count, lift_short, not_turned,
)  # fmt: skip


def truth(name: str, top: float) -> dict[str, float]:
    """What the material itself does after ``top``, the largest internal field, A/m."""
    if name == "decay":
        return {"viscosity_A_per_m": S}
    whole = float(led(MATERIAL, [top, 0.0])[-1])
    fields = np.linspace(1e3, 0.95 * top, 300)
    left = led(MATERIAL, [top, 0.0, *np.column_stack([-fields, np.zeros(300)]).ravel()])[3::2]
    return {
        "remanence_A_per_m": whole,
        "remanence_coercivity_A_per_m": float(np.interp(0.0, -left, fields)),
        "field_of_loss_A_per_m": float(np.interp(0.05, 1.0 - left / whole, fields)),
    }
