"""Runs of the other programmes out of the script: their plans are the daemon's own, their results the closed
form of the second model's material with invented uncertainties, so that the views are tested and not the fit.
"""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np

import tests.support.screen.scripted_daemon as S
from tests.support.models.preisach_medium import Material
from tests.support.models.programmes import led
from weighloop.analysis.errors import Finding
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.inversion.loop import Curve, Sensitivity
from weighloop.analysis.programmes.curves import (
    CurveFamily,
    Estimated,
    RecoilResult,
    RemanenceResult,
    ReversalResult,
)
from weighloop.analysis.programmes.decay import DecayResult
from weighloop.analysis.programmes.programme import programme
from weighloop.analysis.programmes.results import ProgrammeResult
from weighloop.daemon.procedure.plan import RunPlan, make_plan
from weighloop.daemon.protocol import Run
from weighloop.daemon.store.readings_table import readings_of

Floats = np.ndarray
MATERIAL = Material(coercivity=90e3, width=14e3, reversible=12e3)
TOP = 260e3  # the largest internal field, A/m
#: A sample's parts help or hinder one another: what the curves leave out is put in by hand, of the remanence.
INTERACTION = -0.12
LIFT = 'port = "/dev/ttyACM0"'
BENCH = (
    S.BENCH.format(ladder="lift")
    .replace('pan_load = "150 g"', 'pan_load = "300 g"')
    .replace(LIFT, f'{LIFT}\nturner = true\neccentricity = "0 mm +/- 0.05 mm"')
)


@cache
def plan_of(name: str, points: int = 16) -> RunPlan:
    """The daemon's plan of a programme on the script's bench, with a turner."""
    return make_plan(BENCH, points, programme=programme(name))


def programme_run(name: str, part: float = 1.0, state: Any = "running", **more: Any) -> Run:
    """A run of a programme with that part of its steps behind it."""
    plan = plan_of(name)
    steps = list(plan.steps)
    done = round(part * len(steps))
    return {
        **S.run_at(0, state=state, **more),
        "id": 21,
        "steps": steps,
        "steps_done": done,
        "seconds_left": plan.seconds * (1.0 - part),
        "points": S.points_of(steps, done),
        "bench_text": BENCH,
        "programme": name,
        "gives": name,
    }


def _left(fields: Floats, way: float) -> tuple[Floats, Floats]:
    """M at reverse fields after saturation (``way`` -1), or at first fields (1), and after them at none."""
    begun = [TOP, 0.0] if way < 0 else []
    led_ones = [led(MATERIAL, [*begun, way * h, 0.0])[-2:] for h in fields]
    return np.array([M[0] for M in led_ones]), np.array([M[1] for M in led_ones])


def _recoil() -> RecoilResult:
    fields = np.linspace(8e3, TOP, 24)
    turned, after = _left(fields, -1.0)
    whole = float(led(MATERIAL, [TOP, 0.0])[-1])
    H = np.array([np.linspace(-h, 0.0, 25) for h in fields])
    M = np.array([led(MATERIAL, [TOP, 0.0, *line])[2:] for line in H])
    loss = 1.0 - after / whole
    five = float(np.interp(0.05, loss, fields))
    line = turned / fields - 1.0
    on_line = float(np.interp(0.05, loss, line))
    return RecoilResult(
        -fields,
        1.0 + (after - turned) / fields,
        np.full(24, 0.012),
        loss,
        0.004 + 0.03 * loss,
        Estimated(five, 1.4e3, five - 2.7e3, five + 2.8e3, 1.0),
        CurveFamily(H, M, np.full(M.shape, 2e3)),
        np.where(line > 0.0, line, np.nan),
        Estimated(on_line, 0.05, on_line - 0.1, on_line + 0.1, 1.0),
    )


def _remanence() -> RemanenceResult:
    fields = np.linspace(TOP / 24, TOP, 24)
    _, acquired = _left(fields, 1.0)
    _, left = _left(fields, -1.0)
    whole = float(led(MATERIAL, [TOP, 0.0])[-1])
    left = left + INTERACTION * whole * np.exp(-(((fields - 95e3) / 40e3) ** 2))
    difference = left / whole - (1.0 - 2.0 * acquired / whole)
    none = float(np.interp(0.0, -left, fields))
    u = np.full(24, 2.1e3)
    return RemanenceResult(
        fields,
        acquired,
        u,
        left,
        1.4 * u,
        difference,
        np.full(24, 0.021),
        Estimated(whole, 2.3e3, whole - 4.6e3, whole + 4.6e3, 1.0),
        Estimated(none, 0.9e3, none - 1.8e3, none + 1.8e3, 1.0),
    )


def _reversal() -> ReversalResult:
    starts = np.linspace(-TOP, TOP, 24, endpoint=False)
    H = np.array([np.linspace(start, TOP, 49) for start in starts])
    M = np.array([led(MATERIAL, [TOP, *line])[1:] for line in H])
    fields = np.linspace(-TOP, TOP, 24)
    middles = 0.5 * (fields[1:] + fields[:-1])
    up, down = np.meshgrid(middles, middles, indexing="ij")
    coercive, interaction = 0.5 * (up - down), 0.5 * (up + down)
    density = 1.3e-4 * np.exp(-(((coercive - 90e3) / 28e3) ** 2) - ((interaction + 4e3) / 26e3) ** 2)
    density = np.where(up >= down, density, np.nan)
    u = np.full(density.shape, 4e-6)
    known = np.isfinite(density) & (density > 2.0 * u)
    return ReversalResult(
        CurveFamily(H, M, np.full(M.shape, 2e3)), middles, density, u, known, 91.3e3, -4.1e3, 0.9e3, 0.4e3
    )


def _decay() -> DecayResult:
    t = np.geomspace(24.0, 7224.0, 22)
    M = 121.4e3 - 310.0 * np.log(t / t[0]) + 60.0 * np.sin(5.0 * np.arange(22))
    return DecayResult(-88.1e3, t, M, 310.0, 41.0, None, 1.1, 0.62)


FOUND = {"recoil": _recoil, "remanence": _remanence, "reversal": _reversal, "decay": _decay}


@cache
def found_of(name: str) -> Any:
    """What the closed form gives for a programme."""
    return FOUND[name]()


def _saturated() -> tuple[Curve, Curve]:
    """Two branches that have met."""
    H, exact, nothing = np.linspace(-TOP, TOP, 201), Sensitivity(*np.zeros((2, 201, 0))), np.zeros((201, 0))
    down, up = (150e3 * np.tanh((H + side * 90e3) / 30e3) for side in (1.0, -1.0))
    return (
        Curve("descending", H, down, 0.0, exact, exact, nothing, nothing),
        Curve("ascending", H, up, 0.0, exact, exact, nothing, nothing),
    )


def programme_result(run: Any, progress: Any = None) -> ProgrammeResult:
    """A finished analysis of a programme's run."""
    name = run["gives"]
    readings = readings_of(run)
    history = None
    if name != "decay":
        warnings = (Finding("fit-outlier", "far off what the rest of the run says; set aside", (17,)),)
        used = np.arange(len(readings)) != 16
        history: Any = SimpleNamespace(
            points=SimpleNamespace(used=used), warnings=warnings, misfit=1.1, largest=TOP, loop=_saturated
        )
    return ProgrammeResult(readings, parse_bench(BENCH), name, found_of(name), history, 1000, 1)
