"""The gap ladder: which gaps, in which order, both orientations, so that history is never spoilt.

The order goes by the field's history, not by the gap: the ladder starts at the far end and stops at the
gap where the mean field is strongest. Over a ring magnet that is not the closest gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..constants import MU0
from ..errors import NotPossible
from ..forces.force import force_per_kg, reading_change
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.quadrature import mean_field, volume
from ..magnetostatics.reference_magnet import volume as magnet_volume
from ..records.arrays import Floats, Indices
from ..records.bench import Bench
from ..records.points import Branch
from ..units import Measured
from .assumed_loop import AssumedLoop
from .passages import LEGS, Attendance, LadderStep, Visit, ZeroBy, attendance, far_heights, visits
from .placing import LIFT_PITCH, by_passage, evenly, for_fields, look, reachable
from .settings import DISTURBED, ENOUGH, MAGNET_DENSITY, REPEATABILITY


@dataclass(frozen=True)
class LadderPlan:
    """A whole loop. ``largest_pull`` in N, ``pan_load`` and ``capacity`` in kg, ``seconds`` expected in all.

    ``pan_load_stated`` is False where the load was estimated from the magnet's volume. ``assumed`` is the
    loop predicted by, ``target_u`` (kg) the uncertainty wanted of a reading. ``zeros`` says how the balance's
    zero is known (``passages``), ``attendance`` when a person is expected to be needed.
    """

    steps: tuple[LadderStep, ...]
    assumed: AssumedLoop
    target_u: float
    largest_pull: float
    pan_load: float
    pan_load_stated: bool
    capacity: float
    warnings: tuple[str, ...]
    seconds: float
    zeros: ZeroBy
    attendance: tuple[Attendance, ...]


def plan(
    bench: Bench,
    points: int,
    *,
    M_assumed: float | None = None,
    fields: Sequence[float] | None = None,
    loop: tuple[ArrayLike, ArrayLike] | None = None,
    target_u: float | None = None,
    zeros: ZeroBy | None = None,
    sparse: bool = False,
) -> LadderPlan:
    """Plan the ladder of ``points`` gaps, visited on all five legs of a loop: 5 points - 2 steps, and with
    ``zeros`` from far readings those besides (``passages``). None: from far readings where there is a turner.

    Gaps are spaced evenly in the internal field, averaged over the way out and the reversed way in. In a
    ``sparse`` plan each passage has gaps of its own (``placing.by_passage``), ``points`` on the one where the
    sample turns over, and each reading a target of its own.
    ``fields`` (A/m, magnitudes of the applied field) asks for certain fields instead of ``points`` even ones.
    ``loop`` is the descending branch of an earlier pass as (internal field, magnetisation), A/m: gaps then
    gather where it is steep. ``M_assumed`` (A/m) is the sample's largest magnetisation, else that of the
    loop or of a hard ferrite. ``target_u`` (kg) is the wanted uncertainty of a reading, else twice the
    balance's resolution; in a sparse plan the best that is wanted, each reading's own being as much larger as
    no figure would be the worse for.

    Raises NotPossible where the pull would lift off what stands on the pan, exceed the capacity, leave no
    two gaps, or where the lift does not reach the turner's height.
    """
    turner = bench.gap.turner
    zeros = zeros or ("hand" if turner is None else "far")
    if zeros == "far":
        _check_far_end(bench)
    if M_assumed is not None and not M_assumed > 0:
        raise NotPossible(f"the assumed magnetisation must be greater than 0, not {M_assumed:g} A/m")
    if fields is None and points < 2:
        raise NotPossible(f"a ladder needs at least 2 gaps, not {points}")
    warnings: list[str] = []
    assumed = AssumedLoop.of(M_assumed, loop)
    heights, pitch = reachable(bench, warnings)
    far: list[int] = []
    if zeros == "far":
        far = far_heights(heights, turner=turner is not None)
    if sparse:
        legs = by_passage(bench, heights, points, assumed, outermost=far[-1] if far else None)
    else:
        legs = [_one_ladder(bench, heights, points, fields, assumed, loop is not None, warnings)] * len(LEGS)
        if turner is not None and far:  # it turns where the passages meet
            legs[0][-1] = far[-1]
    chosen = np.unique(np.concatenate(legs))
    # The way between the steps counts too: the gradient is not strongest at the closest gap everywhere.
    passed = look(bench, heights[chosen[0] :])[1]
    _, slope = mean_field(bench.reference_magnet, bench.sample, bench.gap.at_height(heights[chosen]))
    steepest = max(np.max(np.abs(slope)), np.max(np.abs(passed.dBz @ passed.weights)))
    largest_pull = float(assumed.saturation * volume(bench.sample) * steepest)
    pan_load, stated = check_pull(bench, largest_pull, warnings)
    u = 2 * bench.balance.resolution if target_u is None else target_u
    order = tuple(visits([leg.tolist() for leg in legs], far, turner=turner is not None, closing=not sparse))
    steps = _steps(bench, heights, order, pitch, assumed, u)
    if sparse:
        steps = _with_targets(bench, heights, order, pitch, assumed, steps)
    if zeros == "far":
        _disturbed_by_turns(bench, steps, assumed, warnings)
    needed, seconds = attendance(steps, bench, zeros)
    return LadderPlan(
        steps=steps,
        assumed=assumed,
        target_u=u,
        largest_pull=largest_pull,
        pan_load=pan_load,
        pan_load_stated=stated,
        capacity=bench.balance.capacity,
        warnings=tuple(warnings),
        seconds=seconds,
        zeros=zeros,
        attendance=needed,
    )


def planned_steps(
    bench: Bench, loop: LadderPlan, heights: Floats, order: tuple[Visit, ...], *, sparse: bool = False
) -> LadderPlan:
    """The plan of another order of readings on the bench of a loop's plan, whose checks hold for it too:
    ``heights`` (n,) in m, rising, of which the visits have the numbers; ``sparse`` as in ``plan``."""
    pitch = LIFT_PITCH if bench.gap.spacer is None else bench.gap.spacer.value
    steps = _steps(bench, heights, order, pitch, loop.assumed, loop.target_u)
    if sparse:
        steps = _with_targets(bench, heights, order, pitch, loop.assumed, steps)
    needed, seconds = attendance(steps, bench, loop.zeros)
    return replace(loop, steps=steps, attendance=needed, seconds=seconds)


def _one_ladder(
    bench: Bench,
    heights: Floats,
    points: int,
    fields: Sequence[float] | None,
    assumed: AssumedLoop,
    steep: bool,
    warnings: list[str],
) -> Indices:
    """The numbers of the heights of all passages, rising: for certain ``fields``, or ``points`` even ones."""
    if fields is not None:
        chosen = np.unique(for_fields(bench, heights, fields, warnings))
    else:
        chosen = np.unique(evenly(bench, heights, points, assumed, steep=steep))
        if len(chosen) < points:
            warnings.append(
                f"only {len(chosen)} different gaps can be set, fewer than the {points} asked for"
            )
    if len(chosen) < 2:
        raise NotPossible(
            "fewer than 2 gaps are left: more spacers, a longer travel or other fields are needed"
        )
    return chosen


def _with_targets(
    bench: Bench,
    heights: Floats,
    order: tuple[Visit, ...],
    pitch: float,
    assumed: AssumedLoop,
    steps: tuple[LadderStep, ...],
) -> tuple[LadderStep, ...]:
    """The steps with the uncertainty (kg) that each reading needs: not below what the gap repeats to, nor
    below a part of what remanence and contact gap, as stated, make of it."""
    magnet, gap = bench.reference_magnet, bench.gap
    moved = (
        replace(bench, reference_magnet=replace(magnet, remanence=_larger(magnet.remanence))),
        replace(bench, gap=replace(gap, contact=_larger(gap.contact))),
    )
    found: list[LadderStep] = []
    others = [_steps(other, heights, order, pitch, assumed, 0.0) for other in moved]
    for step, *beside in zip(steps, *others, strict=True):
        shared = np.hypot(*(other.predicted_reading - step.predicted_reading for other in beside))
        needed = min(REPEATABILITY * abs(step.saturated_reading), ENOUGH * float(shared))
        target = max(step.target_u, needed)
        found.append(replace(step, target_u=target, expected_u_M=step.expected_u_M * target / step.target_u))
    return tuple(found)


def _larger(value: Measured) -> Measured:
    """By its standard uncertainty."""
    return replace(value, value=value.value + value.u)


def _check_far_end(bench: Bench) -> None:
    """Refuses a far end at which the zero cannot be read with the sample on."""
    gap = bench.gap
    if gap.ladder == "spacers":
        raise NotPossible(
            "with spacers the sample is taken off for every gap anyway: its zeros are read by hand"
        )
    if gap.turner is not None and gap.turner.turning_height > gap.travel:
        raise NotPossible(
            f"the turner turns at {_mm(gap.turner.turning_height)} above the closest position and higher, "
            f"but the lift's travel is {_mm(gap.travel)}: give the true travel or turning_height in [lift]"
        )


def _disturbed_by_turns(
    bench: Bench, steps: tuple[LadderStep, ...], assumed: AssumedLoop, warnings: list[str]
) -> None:
    """Warns of a sample so soft that the small field at the far end changes it when it is turned over."""
    far = max(steps, key=lambda step: step.gap)
    N, field = demagnetising_factor(bench.sample).axial, abs(far.H_applied)
    before, after = assumed.at(np.array([field, -field]), N, "descending")
    part = (before - after) / max(abs(before), 1e-300)
    if part > DISTURBED:
        warnings.append(
            f"turned over in the far field of {field / 1e3:.2g} kA/m the sample is expected to lose "
            f"{min(part, 1.0):.0%} of its magnetisation, so that the zero of the balance is known less well "
            "from readings with the sample on: a longer travel helps, or zeros with the sample off"
        )


def check_pull(bench: Bench, pull: float, warnings: list[str]) -> tuple[float, bool]:
    """The load on the pan (kg) and whether it was stated; refuses a pull that load or balance cannot bear."""
    as_mass = pull / force_per_kg(bench.site)
    capacity = bench.balance.capacity
    largest = f"the largest pull expected is {_g(as_mass)} ({pull:.3g} N)"
    relief = "use a larger smallest gap, a smaller sample or a heavier riser"
    stated = bench.reference_magnet.pan_load
    load = stated.value if stated is not None else magnet_volume(bench.reference_magnet) * MAGNET_DENSITY
    if as_mass > capacity:
        raise NotPossible(f"{largest}, more than the balance's capacity of {_g(capacity)}; {relief}")
    if stated is not None and as_mass > load:
        raise NotPossible(f"{largest}, but only {_g(load)} stands on the pan: it would lift off; {relief}")
    if as_mass > load:
        raise NotPossible(
            f"{largest}, and the magnet alone weighs about {_g(load)} (from its size): it would lift off. "
            'Weigh magnet and riser together and give their mass, such as pan_load = "150 g"; if that is not '
            f"clearly more than the pull, {relief}"
        )
    # Only a sample harder than the field pushes that hard: the reading would be lost, nothing worse.
    if load + as_mass > capacity:
        warnings.append(
            f"{largest}; a sample that the field cannot turn would push down as hard, and with {_g(load)} on "
            f"the pan that exceeds the capacity of {_g(capacity)}: the run is held where that happens"
        )
    return load, stated is not None


def _steps(
    bench: Bench, heights: Floats, order: tuple[Visit, ...], pitch: float, assumed: AssumedLoop, u: float
) -> tuple[LadderStep, ...]:
    """The steps in the ``order`` taken; ``heights`` (n,) rising, of which the visits have the numbers."""
    N = demagnetising_factor(bench.sample).axial
    V, height = volume(bench.sample), heights[[visit.height for visit in order]]
    orientation = np.array([visit.orientation for visit in order])
    gap = bench.gap.at_height(height)
    each, where = np.unique(bench.gap.of_sample(gap, orientation), return_inverse=True)
    Bz, slope = (values[where] for values in mean_field(bench.reference_magnet, bench.sample, each))
    with np.errstate(divide="ignore"):
        u_M = u * force_per_kg(bench.site) / (V * np.abs(slope))
    # The sign of the mean field makes the branch: over a ring it can point the other way.
    along = np.sign(Bz[int(np.argmin(height))])
    applied = orientation * Bz / MU0
    M = np.zeros(len(order))
    branches: set[Branch] = {visit.branch for visit in order}
    for branch in branches:
        on = np.array([visit.branch == branch for visit in order])
        M[on] = along * assumed.at(along * applied[on], N, branch)
    reading = reading_change(-orientation * M * V * slope, bench)
    saturated = reading_change(-along * assumed.saturation * V * slope, bench)
    return tuple(
        LadderStep(
            step=i + 1,
            leg=visit.leg,
            gap=float(gap[i]),
            height=float(height[i]),
            spacers=round(height[i] / pitch) if bench.gap.ladder == "spacers" else None,
            orientation=visit.orientation,
            H_applied=float(applied[i]),
            predicted_reading=float(reading[i]),
            saturated_reading=float(saturated[i]),
            H_internal=float(applied[i] - N * M[i]),
            expected_u_M=float(u_M[i]),
            target_u=u,
            branch=visit.branch,
            purpose=visit.purpose,
            wait=visit.wait,
        )
        for i, visit in enumerate(order)
    )


def _mm(length: float) -> str:
    return f"{length * 1e3:.2f} mm"


def _g(mass: float) -> str:
    return f"{mass * 1e3:.3g} g"
