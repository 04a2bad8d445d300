"""The gap ladder: which gaps, in which order, both orientations, so that history is never spoilt.

The order goes by the field's history, not by the gap: the ladder starts at the far end and stops at the
gap where the mean field is strongest. Over a ring magnet that is not the closest gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..constants import MU0
from ..errors import NotPossible
from ..forces.force import force_per_kg, reading_change
from ..magnetostatics.demagnetising_factor import demagnetising_factor
from ..magnetostatics.quadrature import Layers, layers, mean_field, volume
from ..magnetostatics.reference_magnet import volume as magnet_volume
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Branch
from .passages import Attendance, LadderStep, Visit, ZeroBy, attendance, far_heights, visits
from .settings import (
    ASSUMED_COERCIVITY,
    ASSUMED_SQUARENESS,
    DISTURBED,
    HARD_FERRITE_SATURATION,
    MAGNET_DENSITY,
)

#: The lift's heights are multiples of this, m.
LIFT_PITCH = 0.01e-3


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
) -> LadderPlan:
    """Plan the ladder of ``points`` gaps, visited on all five legs of a loop: 5 points - 2 steps, and with
    ``zeros`` from far readings those besides (``passages``). None: from far readings where there is a turner.

    Gaps are spaced evenly in the internal field, averaged over the way out and the reversed way in.
    ``fields`` (A/m, magnitudes of the applied field) asks for certain fields instead of ``points`` even ones.
    ``loop`` is the descending branch of an earlier pass as (internal field, magnetisation), A/m: gaps then
    gather where it is steep. ``M_assumed`` (A/m) is the sample's largest magnetisation, else that of the
    loop or of a hard ferrite. ``target_u`` (kg) is the wanted uncertainty of a reading, else twice the
    balance's resolution.

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
    if fields is not None:
        chosen = _for_fields(bench, heights, fields, warnings)
    else:
        chosen = _evenly(bench, heights, points, assumed, steep=loop is not None)
        if len(chosen) < points:
            warnings.append(
                f"only {len(chosen)} different gaps can be set, fewer than the {points} asked for"
            )
    chosen = np.unique(chosen)
    if len(chosen) < 2:
        raise NotPossible(
            "fewer than 2 gaps are left: more spacers, a longer travel or other fields are needed"
        )

    far: list[int] = []
    if zeros == "far":
        if turner is not None:  # it turns where the passages meet
            chosen[-1] = len(heights) - 1
        far = far_heights(heights, turner=turner is not None)
    # The way between the steps counts too: the gradient is not strongest at the closest gap everywhere.
    passed = _look(bench, heights[chosen[0] :])[1]
    _, slope = mean_field(bench.reference_magnet, bench.sample, bench.gap.at_height(heights[chosen]))
    steepest = max(np.max(np.abs(slope)), np.max(np.abs(passed.dBz @ passed.weights)))
    largest_pull = float(assumed.saturation * volume(bench.sample) * steepest)
    pan_load, stated = check_pull(bench, largest_pull, warnings)
    u = 2 * bench.balance.resolution if target_u is None else target_u
    order = tuple(visits(chosen.tolist(), far, turner=turner is not None))
    steps = _steps(bench, heights, order, pitch, assumed, u)
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


def planned_steps(bench: Bench, loop: LadderPlan, heights: Floats, order: tuple[Visit, ...]) -> LadderPlan:
    """The plan of another order of readings on the bench of a loop's plan, whose checks hold for it too:
    ``heights`` (n,) in m, rising, of which the visits have the numbers."""
    pitch = LIFT_PITCH if bench.gap.spacer is None else bench.gap.spacer.value
    steps = _steps(bench, heights, order, pitch, loop.assumed, loop.target_u)
    needed, seconds = attendance(steps, bench, loop.zeros)
    return replace(loop, steps=steps, attendance=needed, seconds=seconds)


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


@dataclass(frozen=True, eq=False)
class AssumedLoop:
    """The descending branch taken for prediction: M (A/m) over the internal field (A/m), rising."""

    H: Floats
    M: Floats
    saturation: float

    @classmethod
    def of(cls, M_assumed: float | None, loop: tuple[ArrayLike, ArrayLike] | None) -> AssumedLoop:
        """From an earlier pass, else M = Ms tanh((H + Hc)/w) of a middling ferrite."""
        if loop is not None:
            H, M = (np.asarray(a, float) for a in loop)
            known = np.isfinite(H) & np.isfinite(M)
            if known.sum() < 3:
                raise NotPossible("an earlier loop needs at least 3 points to plan by")
            H, M = H[known], M[known]
            order = np.argsort(H)
            H, M = H[order], np.maximum.accumulate(M[order])
            return cls(H, M, M_assumed or float(np.max(np.abs(M))))
        saturation = M_assumed or HARD_FERRITE_SATURATION
        width = ASSUMED_COERCIVITY / np.arctanh(ASSUMED_SQUARENESS)
        H = np.linspace(-8, 8, 400) * ASSUMED_COERCIVITY
        return cls(H, saturation * np.tanh((H + ASSUMED_COERCIVITY) / width), saturation)

    def at(self, applied: Floats, N: float, branch: Branch) -> Floats:
        """M (A/m) in the applied fields (n,), demagnetisation included.

        Solves M = f(H - N M) by halving: f rises, so there is one solution. The ascending branch is the
        descending one turned about the origin; the first curve runs midway between the two.
        """
        top = float(np.max(np.abs(self.M)))
        low, high = np.full(applied.shape, -top), np.full(applied.shape, top)
        for _ in range(50):
            middle = (low + high) / 2
            above = self._branch(applied - N * middle, branch) > middle
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return (low + high) / 2

    def _branch(self, H: Floats, branch: str) -> Floats:
        falling, rising = np.interp(H, self.H, self.M), -np.interp(-H, self.H, self.M)
        return {"descending": falling, "ascending": rising, "first": (falling + rising) / 2}[branch]


def reachable(bench: Bench, warnings: list[str]) -> tuple[Floats, float]:
    """Heights (m) that can be set, rising, cut off where coming closer no longer strengthens the field."""
    if bench.gap.ladder == "spacers":
        if bench.gap.spacer is None or bench.gap.spacers is None:
            raise NotPossible("a ladder of spacers needs the spacers' thickness and number in the bench file")
        pitch, count = bench.gap.spacer.value, bench.gap.spacers
    else:
        pitch, count = LIFT_PITCH, int(bench.gap.travel / LIFT_PITCH + 1e-9)
    heights = np.arange(count + 1, dtype=np.float64) * pitch
    looked, at = _look(bench, heights)
    strength = np.abs(at.Bz @ at.weights)
    # Walking in from the far end, where does the mean field stop growing?
    weaker = np.flatnonzero(np.diff(strength) >= 0)
    first = 0
    if len(weaker):
        first = int(np.searchsorted(heights, looked[weaker[-1] + 1]))
        contact = bench.gap.contact.value
        warnings.append(
            f"below a gap of {_mm(contact + heights[first])} coming closer weakens the mean field: the "
            f"ladder stops there, not at the contact gap of {_mm(contact)}; at that gap the pulls on the "
            "sample's layers nearly cancel, so the reading says little about M"
        )
        at = Layers(at.Bz[weaker[-1] + 1 :], at.dBz[weaker[-1] + 1 :], at.weights)
    passed = np.max(np.abs(at.Bz), axis=0) > np.abs(at.Bz[0]) * (1 + 1e-9)
    share = float(at.weights[passed].sum())
    if share > 0.01:
        warnings.append(
            f"{share:.0%} of the sample meets its strongest field before the last step in: the layers have "
            "different histories, and only the finite-sample method takes that into account"
        )
    return heights[first:], pitch


def _look(bench: Bench, heights: Floats, most: int = 300) -> tuple[Floats, Layers]:
    """At most ``most`` of the heights, closer together where the field is steep, and the layers there."""
    if len(heights) > most:
        pick = np.unique((np.linspace(0, 1, most) ** 2 * (len(heights) - 1)).astype(int))
        heights = heights[pick]
    return heights, layers(bench.reference_magnet, bench.sample, bench.gap.at_height(heights))


def _evenly(
    bench: Bench, heights: Floats, points: int, assumed: AssumedLoop, steep: bool
) -> NDArray[np.int64]:
    """Indices of ``points`` heights, evenly spaced in internal field (and in M where ``steep``)."""
    looked, at = _look(bench, heights)
    applied = np.abs(at.Bz @ at.weights) / MU0
    N = demagnetising_factor(bench.sample).axial
    way = np.zeros(len(looked))
    for sign in (1, -1):  # the way out, and the reversed way in
        M = assumed.at(sign * applied, N, "descending")
        way[1:] += np.cumsum(np.abs(np.diff(sign * applied - N * M))) / applied.max()
        if steep:
            way[1:] += np.cumsum(np.abs(np.diff(M))) / assumed.saturation
    wanted = np.interp(np.linspace(0, way[-1], min(points, len(heights))), way, looked)
    return _settable(wanted, heights)


def _settable(wanted: Floats, heights: Floats) -> NDArray[np.int64]:
    """Indices of different heights next to the ``wanted`` ones (m, rising), as many as wanted."""
    pitch = heights[1] - heights[0] if len(heights) > 1 else 1.0
    index = np.rint((wanted - heights[0]) / pitch).astype(np.int64)
    n = len(index)
    for i in range(n):  # push apart outward, keeping room for those to come
        index[i] = max(index[i], index[i - 1] + 1 if i else 0)
    room = len(heights) - n + np.arange(n)
    return np.minimum(index, room)


def _for_fields(
    bench: Bench, heights: Floats, fields: Sequence[float], warnings: list[str]
) -> NDArray[np.int64]:
    """Indices of the heights whose mean applied field is next to the wanted ones (A/m, magnitudes)."""
    looked, at = _look(bench, heights)
    applied = np.abs(at.Bz @ at.weights) / MU0
    wanted = np.abs(np.asarray(fields, float))
    outside = (wanted > applied[0] * 1.005) | (wanted < applied[-1] * 0.995)
    if outside.any():
        said = ", ".join(f"{H / 1e3:.4g}" for H in wanted[outside])
        reach = f"{applied[-1] / 1e3:.4g} to {applied[0] / 1e3:.4g} kA/m"
        if outside.all():
            raise NotPossible(f"no wanted field can be reached: {said} kA/m asked for, {reach} reachable")
        warnings.append(f"left out, as only {reach} can be reached: {said} kA/m")
    aim = np.interp(wanted[~outside], applied[::-1], looked[::-1])
    return np.unique(np.abs(heights[None, :] - aim[:, None]).argmin(axis=1))


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
            branch=visit.branch,
            purpose=visit.purpose,
        )
        for i, visit in enumerate(order)
    )


def _mm(length: float) -> str:
    return f"{length * 1e3:.2f} mm"


def _g(mass: float) -> str:
    return f"{mass * 1e3:.3g} g"
