"""Programmes weighed on the second bench: any passages, a sample with memory, noise; and the truth of
each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.support.models.forward import Demagnetising, Magnet, Pellet, Weighed, weigh
from tests.support.models.preisach_medium import HasMemory
from tests.support.models.runs import U_READING, U_RELATIVE
from weighloop.analysis.planning.gap_ladder import LadderPlan
from weighloop.analysis.records.readings import Readings

Array = np.ndarray


def weighed(
    magnet: Magnet,
    pellet: Pellet,
    material: HasMemory,
    plan: LadderPlan,
    demagnetising: Demagnetising = "layered",
) -> Weighed:
    """The noise-free forces at the steps of a plan, the sample virgin before."""
    gap = np.array([step.gap for step in plan.steps])
    orientation = np.array([step.orientation for step in plan.steps])
    leg = np.array([step.leg for step in plan.steps])
    return weigh(magnet, pellet, material, gap, path=(gap, orientation, leg), demagnetising=demagnetising)


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


def led(material: HasMemory, path: Sequence[float]) -> Array:
    """M (A/m) of the material itself, virgin before, led through internal fields, A/m."""
    memory = material.memory(1, "virgin")
    found = []
    for field in path:
        memory.go(np.array([field]))
        found.append(float(memory.magnetisation(np.array([field]))[0]))
    return np.array(found)
