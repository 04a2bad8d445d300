"""Programmes weighed on the second bench: any passages, a sample with memory, noise; and the truth of
each."""

from __future__ import annotations

import numpy as np

from tests.support.models.forward import Magnet, Pellet, Weighed, solve_local, weigh
from tests.support.models.preisach_medium import Material
from tests.support.models.runs import U_READING, U_RELATIVE
from weighloop.analysis.planning.gap_ladder import LadderPlan
from weighloop.analysis.records.readings import Readings

Array = np.ndarray
#: Standard acceleration, as the analysis takes it where the site says nothing (ISO 80000-3; CODATA).
GRAVITY = 9.80665


def weighed(magnet: Magnet, pellet: Pellet, material: Material, plan: LadderPlan) -> Weighed:
    """The noise-free forces at the steps of a plan, the sample virgin before."""
    gap = np.array([step.gap for step in plan.steps])
    orientation = np.array([step.orientation for step in plan.steps])
    leg = np.array([step.leg for step in plan.steps])
    return weigh(magnet, pellet, material, gap, path=(gap, orientation, leg), demagnetising="layered")


def readings(run: Weighed, seed: int | None, *, attraction: float, gravity: float) -> Readings:
    """The run as a notebook would have it: attraction is +1 where it reads heavier, each row with its
    zeros."""
    n = len(run.gap)
    force = run.force.copy()
    if seed is not None:
        noise = np.hypot(U_READING, U_RELATIVE * force)
        force = force + noise * np.random.default_rng(seed).standard_normal(n)
    nothing = np.full(n, np.nan)
    return Readings(
        row=np.arange(1, n + 1),
        gap=run.gap,
        spacers=nothing,
        orientation=run.orientation.astype(np.int64),
        reading=attraction * force / gravity,
        zero_before=np.zeros(n),
        zero_after=np.zeros(n),
        u_reading=np.full(n, U_READING / gravity),
        temperature=nothing,
        time=20.0 * np.arange(n),
        note=("",) * n,
        set_aside=(None,) * n,
    )


def led(material: Material, N: float, applied: Array) -> tuple[Array, Array]:
    """Internal field and M (A/m) of a virgin sample led through applied fields in a uniform field."""
    memory = material.memory(1, "virgin")
    H, M = np.zeros(len(applied)), np.zeros(len(applied))
    for k, field in enumerate(applied):
        h = solve_local(memory, np.array([field]), N)
        memory.go(h)
        H[k], M[k] = h[0], memory.magnetisation(h)[0]
    return H, M
