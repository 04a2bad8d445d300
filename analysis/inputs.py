"""What a loop's figures depend on: each shared input of the bench, and how the loop answers to it.

Shared inputs (remanence, contact gap, sizes, gravity ...) move the whole loop at once and must stay
shared; each is taken one standard uncertainty up and down, and the whole inversion repeated. Each
reading's own part goes through the inversion's linear answer to forces.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import quadrature, weighing
from .bench import Bench, ReferenceMagnet
from .constants import MU0
from .loop import LoopEstimate
from .magnetisation import Method, invert
from .points import Points
from .quantities import Measured

Floats = NDArray[np.float64]

#: Relative standard uncertainty of the demagnetising factor: the magnetometric factor holds for an evenly
#: magnetised body, and on a branch ours is not. N of a disc 6 x 3 mm falls by 0.5 % from susceptibility 0
#: to 0.3 (computed with the tests' second model); a rectangle that wide.
U_DEMAGNETISING = 0.003

#: The temperature a remanence in the bench file is stated at, K (20 degrees Celsius).
_REFERENCE_TEMPERATURE = 293.15

#: Words for the inputs a bench file names.
WORDS = {
    "reference_magnet.remanence": "remanence of the reference magnet",
    "reference_magnet.height": "height of the reference magnet",
    "reference_magnet.diameter": "diameter of the reference magnet",
    "reference_magnet.length": "length of the reference magnet",
    "reference_magnet.width": "width of the reference magnet",
    "reference_magnet.outer_diameter": "outer diameter of the reference magnet",
    "reference_magnet.inner_diameter": "inner diameter of the reference magnet",
    "reference_magnet.temperature_coefficient": "temperature coefficient of the remanence",
    "reference_magnet.recoil_permeability": "image of the sample in the reference magnet",
    "sample.height": "height of the sample",
    "sample.diameter": "diameter of the sample",
    "sample.length": "length of the sample",
    "sample.width": "width of the sample",
    "sample.mass": "mass of the sample",
    "sample.offset": "offset of the sample from the magnet's axis",
    "gap.contact": "contact gap",
    "gap.spacer": "thickness of the spacers",
    "site.latitude": "gravity (latitude)",
    "site.altitude": "gravity (altitude)",
    "site.temperature": "temperature",
}
#: Inputs of the bench that no figure depends on.
_NO_PART = ("reference_magnet.pan_load",)


@dataclass(frozen=True, eq=False)
class Shared:
    """One shared input: ``odd`` and ``even`` (L,) are the loop's first and second order answer to one
    standard uncertainty: state = centre + z odd + z^2 even. ``identity`` tells the same input of two
    benches apart from another, so that what two runs share cancels between them."""

    key: str
    words: str
    identity: str
    odd: Floats
    even: Floats


@dataclass(frozen=True, eq=False)
class State:
    """A loop as one vector (L,): both branches' field and M, N, density, and field and M at the points."""

    vector: Floats
    down: int
    up: int
    points: int

    def part(self, name: str, of: Floats | None = None) -> Floats:
        """A part of this vector, or of other vectors (..., L) laid out alike."""
        d, u, n = self.down, self.up, self.points
        bounds = {
            "H_down": (0, d),
            "M_down": (d, 2 * d),
            "H_up": (2 * d, 2 * d + u),
            "M_up": (2 * d + u, 2 * (d + u)),
            "N": (2 * (d + u), 2 * (d + u) + 1),
            "density": (2 * (d + u) + 1, 2 * (d + u) + 2),
            "H": (2 * (d + u) + 2, 2 * (d + u) + 2 + n),
            "M": (2 * (d + u) + 2 + n, 2 * (d + u) + 2 + 2 * n),
        }
        start, stop = bounds[name]
        return (self.vector if of is None else of)[..., start:stop]


def state_of(estimate: LoopEstimate, bench: Bench) -> State:
    """The vector of an estimate."""
    down, up = estimate.descending, estimate.ascending
    none = np.zeros(0)
    mass = bench.sample.mass
    density = np.nan if mass is None else mass.value / quadrature.volume(bench.sample)
    vector = np.concatenate(
        [
            down.H_applied,
            down.M,
            none if up is None else up.H_applied,
            none if up is None else up.M,
            [estimate.N, density],
            estimate.H_applied,
            estimate.M,
        ]
    )
    return State(vector, len(down), 0 if up is None else len(up), len(estimate.points))


def force_answer(estimate: LoopEstimate) -> Floats:
    """(L, n): the state's linear answer to the n forces."""
    down, up = estimate.descending, estimate.ascending
    n = len(estimate.points)
    n_down, n_up = len(down), 0 if up is None else len(up)
    parts = [np.zeros((n_down, n)), down.force_map.reshape(n_down, n)]
    parts += [np.zeros((n_up, n)), np.zeros((0, n)) if up is None else up.force_map]
    parts += [
        np.zeros((2, n)),
        np.zeros((n, n)),
        np.where(np.isfinite(estimate.force_map_points), estimate.force_map_points, 0.0),
    ]
    return np.concatenate(parts)


def measured_inputs(bench: Bench) -> Iterator[tuple[str, Measured]]:
    """Every input of the bench that has an uncertainty, by its place: ("gap.contact", ...)."""
    for part in ("reference_magnet", "sample", "gap", "site"):
        record = getattr(bench, part)
        for item in fields(record):
            value = getattr(record, item.name)
            if isinstance(value, Measured) and value.u > 0:
                yield f"{part}.{item.name}", value


def with_value(bench: Bench, key: str, change: float) -> Bench:
    """The bench with one input changed by ``change`` in its SI unit."""
    part, name = key.split(".")
    record: Any = getattr(bench, part)
    assert is_dataclass(record)
    measured: Measured = getattr(record, name)
    changed = replace(record, **{name: replace(measured, value=measured.value + change)})  # type: ignore[type-var]
    if key == "sample.diameter" and bench.sample.shape == "sphere":
        changed = replace(changed, height=changed.diameter)  # type: ignore[type-var]
    return replace(bench, **{part: changed})


def changed_points(points: Points, key: str, change: float) -> Points:
    """The points as they lie with one input of the gap changed."""
    if key == "gap.contact":
        return replace(points, gap=points.gap + change)
    if key == "gap.spacer":
        return replace(points, gap=points.gap + np.nan_to_num(points.spacers) * change)
    return points


def shared_inputs(estimate: LoopEstimate, bench: Bench, method: Method) -> tuple[State, tuple[Shared, ...]]:
    """The loop's state and its answer to every shared input; the inversion's choices stay as made."""
    points = estimate.points
    centre = state_of(estimate, bench)
    answer = force_answer(estimate)
    nothing = np.zeros_like(centre.vector)
    per_one = nothing

    def answered(changed: Points, other: Bench) -> Floats:
        state = state_of(invert(changed, other, method, settled=estimate.settled), other)
        # Two rows at almost one field may merge or part with a small change, and with them the curve's
        # grid; such a step says nothing.
        return state.vector if state.vector.shape == centre.vector.shape else centre.vector

    def again(key: str, change: float) -> Floats:
        return answered(changed_points(points, key, change), with_value(bench, key, change))

    def pulled(more: Floats) -> Floats:
        return answered(replace(points, force=points.force + more), bench)

    def both_ways(key: str, u: float) -> Floats:
        # The second order is left out on purpose: it is small in all of these, while what a spline's
        # constraints make of it, taking hold on one side and not on the other, is not.
        return 0.5 * (again(key, u) - again(key, -u))

    # The field's strength is one number, whatever it is uncertain by; the loop answers to it but once.
    strength = {
        key: by
        for key, value in measured_inputs(bench)
        if (by := _of_strength(key, value.u, points, bench)) is not None
    }
    reference = max((abs(by) for by in strength.values()), default=0.0)
    if reference > 0:
        per_one = both_ways("reference_magnet.remanence", reference * bench.reference_magnet.remanence.value)

    found: list[Shared] = []
    for key, value in measured_inputs(bench):
        words = WORDS.get(key)
        if words is None or (key == "gap.spacer" and not np.isfinite(points.spacers).any()):
            continue
        if bench.sample.shape == "sphere" and key == "sample.height":
            continue
        odd, even = nothing, nothing
        if key == "sample.offset":
            # The offset has no preferred side: only its square counts.
            even = pulled(_force_lost_to_offset(points, bench, value.u)) - centre.vector
        elif key == "reference_magnet.recoil_permeability":
            image = _force_of_image(estimate, bench)
            odd = 0.5 * (pulled(image) - pulled(-image))
        elif key == "sample.mass":
            odd = nothing.copy()
            assert bench.sample.mass is not None
            centre.part("density", odd)[:] = centre.part("density") * value.u / bench.sample.mass.value
        elif key in strength:
            odd = per_one * (strength[key] / reference if reference > 0 else 0.0)
        elif key in ("site.latitude", "site.altitude"):
            odd, even = _of_gravity(key, value.u, points, bench, answer)
        elif key in _NO_PART:
            continue
        else:
            odd = both_ways(key, value.u)
        # Rows without a reading have no state to answer with.
        odd, even = (np.where(np.isfinite(part), part, 0.0) for part in (odd, even))
        owner = bench.sample.name if key.startswith("sample.") else ""
        found.append(Shared(key, words, f"{owner}|{key}|{value.value!r}|{value.u!r}", odd, even))
    found.append(_demagnetising(centre, bench))
    inversion = _inversion(centre, estimate)
    if np.any(inversion.odd):
        found.append(inversion)
    return centre, tuple(found)


def _of_strength(key: str, u: float, points: Points, bench: Bench) -> float | None:
    """By which part one standard uncertainty of an input changes the field's strength; None for another."""
    magnet = bench.reference_magnet
    kelvin = points.temperature[np.isfinite(points.temperature)]
    warmth = (float(kelvin.mean()) if len(kelvin) else bench.site.temperature.value) - _REFERENCE_TEMPERATURE
    coefficient = magnet.temperature_coefficient.value
    now = 1.0 + coefficient * warmth
    parts = {
        "reference_magnet.remanence": u / magnet.remanence.value,
        "site.temperature": coefficient * u / now,
        "reference_magnet.temperature_coefficient": warmth * u / now,
    }
    return parts.get(key)


def _of_gravity(key: str, u: float, points: Points, bench: Bench, answer: Floats) -> tuple[Floats, Floats]:
    """All forces are in proportion to gravity: the loop's answer to the first and second order."""
    here = weighing.force_per_kg(bench.site)
    high, low = (weighing.force_per_kg(with_value(bench, key, d).site) / here - 1.0 for d in (u, -u))
    force = answer @ np.nan_to_num(points.force)
    return 0.5 * (high - low) * force, 0.5 * (high + low) * force


def _demagnetising(centre: State, bench: Bench) -> Shared:
    odd = np.zeros_like(centre.vector)
    centre.part("N", odd)[:] = U_DEMAGNETISING * centre.part("N")
    return Shared(
        "demagnetising factor", "demagnetising factor", f"{bench.sample.name}|N", odd, np.zeros_like(odd)
    )


def _inversion(centre: State, estimate: LoopEstimate) -> Shared:
    """The method's own error, as the inversion states it. Smoothing errs alike on both branches, seen from
    each one's start, so the signs are opposite."""
    odd = np.zeros_like(centre.vector)
    centre.part("M_down", odd)[:] = estimate.descending.u_model
    if estimate.ascending is not None:
        centre.part("M_up", odd)[:] = -estimate.ascending.u_model
    words = "inversion (smoothing, choice of method)"
    own = zlib.crc32(np.nan_to_num(estimate.points.force).tobytes())
    return Shared("inversion", words, f"{own}|inversion", odd, np.zeros_like(odd))


def _force_lost_to_offset(points: Points, bench: Bench, u: float) -> Floats:
    """What the forces would be more by, had the sample sat on the axis instead of ``u`` beside it, (n,)."""
    gaps, where = np.unique(points.gap, return_inverse=True)
    _, centred = quadrature.mean_field(bench.reference_magnet, bench.sample, gaps)
    _, beside = quadrature.mean_field(bench.reference_magnet, bench.sample, gaps, offset=u)
    return np.nan_to_num(points.force) * (centred / beside - 1.0)[where]


def _force_of_image(estimate: LoopEstimate, bench: Bench) -> Floats:
    """Standard uncertainty (N), (n,), from the pull of the sample's image in the magnet.

    It is not corrected: it lies somewhere between nothing and that of a mirror image of strength
    chi/(chi + 2), the most a magnet of any size can do (``recoil`` has the whole calculation, which is
    slower); so the latter by sqrt(3).
    """
    points, sample = estimate.points, bench.sample
    chi = bench.reference_magnet.recoil_permeability.value - 1.0
    one_tesla = Measured(1.0)
    if sample.shape == "block":
        image = ReferenceMagnet("block", sample.height, one_tesla, length=sample.length, width=sample.width)
    else:
        # A sphere or spheroid is taken as the cylinder of its height and volume.
        area = quadrature.volume(sample) / sample.height.value
        image = ReferenceMagnet(
            "cylinder", sample.height, one_tesla, diameter=Measured(2.0 * float(np.sqrt(area / np.pi)))
        )
    gaps, where = np.unique(points.gap, return_inverse=True)
    # The mirror image faces the sample at twice the gap.
    _, gradient = quadrature.mean_field(image, sample, 2.0 * gaps)
    per_M2 = quadrature.volume(sample) * MU0 * np.abs(gradient[where]) * chi / (chi + 2.0)
    return np.nan_to_num(per_M2 * estimate.M**2) / np.sqrt(3.0)
