"""What a loop's figures depend on: each shared input of the bench, and how the loop answers to it.

Shared inputs (remanence, contact gap, sizes, gravity ...) move the whole loop at once and must stay
shared. An input counts as what the bench file states of it: where the readings say more of it than the file
does (``joint_fit``), the loop hardly answers to that statement, but to the readings instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..constants import MU0
from ..forces import force as weighing
from ..inversion.loop import LoopEstimate, Sensitivity
from ..inversion.saturation import judge
from ..magnetostatics import quadrature
from ..magnetostatics.bench_linearisation import DEMAGNETISING, ECCENTRICITY, measured_inputs, with_value
from ..magnetostatics.bench_linearisation import WORDS as FIELD_WORDS
from ..records.arrays import Bools, Floats
from ..records.bench import Bench, ReferenceMagnet
from ..records.points import Points
from ..units import Measured
from . import model_error
from .settings import LOST_WIDTH

#: Words for the inputs a bench file names.
WORDS = FIELD_WORDS | {
    "reference_magnet.recoil_permeability": "image of the sample in the reference magnet",
    "sample.mass": "mass of the sample",
    "sample.offset": "offset of the sample from the magnet's axis",
    "site.latitude": "gravity (latitude)",
    "site.altitude": "gravity (altitude)",
}
#: What stands behind them where the file states no uncertainty.
ASSUMED = " (assumed, as none is stated)"


@dataclass(frozen=True, eq=False)
class SystematicInput:
    """One shared input: ``first_order`` and ``second_order`` (L,) are the loop's first and second order
    answer to one standard uncertainty: state = centre + z first_order + z^2 second_order. Where ``identity``
    is the same, two benches share the input, and it cancels between their runs."""

    key: str
    words: str
    identity: str
    first_order: Floats
    second_order: Floats


@dataclass(frozen=True, eq=False)
class State:
    """A loop as one vector (L,): both branches' field and M, N, density, what the saturation by the law of
    approach is multiplied by, and M at the points."""

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
            "approach": (2 * (d + u) + 2, 2 * (d + u) + 3),
            "M": (2 * (d + u) + 3, 2 * (d + u) + 3 + n),
        }
        start, stop = bounds[name]
        return (self.vector if of is None else of)[..., start:stop]


def state_of(estimate: LoopEstimate, bench: Bench) -> State:
    """The vector of an estimate."""
    down, up = estimate.descending, estimate.ascending
    none = np.zeros(0)
    mass = bench.sample.mass
    density = np.nan if mass is None else mass.value / estimate.bench.field.volume
    vector = np.concatenate(
        [
            down.H_applied,
            down.M,
            none if up is None else up.H_applied,
            none if up is None else up.M,
            [estimate.N, density, 1.0],
            estimate.M,
        ]
    )
    return State(vector, len(down), 0 if up is None else len(up), len(estimate.points))


def answer_of(estimate: LoopEstimate, bench: Bench) -> Sensitivity:
    """The state's answer to errors: L values."""
    down, up, model = estimate.descending, estimate.ascending, estimate.bench
    volume, mass = model.field.volume, bench.sample.mass
    density = 0.0 if mass is None else mass.value / volume
    none = np.zeros_like(model.N_change)
    one = np.stack([model.N_change, -density * model.volume_change / volume, none])
    parts = [down.H_sensitivity, down.M_sensitivity]
    parts += [] if up is None else [up.H_sensitivity, up.M_sensitivity]
    parts += [estimate.z_sensitivity.propagate(one), estimate.M_sensitivity]
    both = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
    # Rows without a reading have no state to answer with.
    return Sensitivity(*(np.nan_to_num(part, copy=False, nan=0.0, posinf=0.0, neginf=0.0) for part in both))


def shared_inputs(
    estimate: LoopEstimate, bench: Bench
) -> tuple[State, Sensitivity, tuple[SystematicInput, ...]]:
    """The loop's state, its answer to errors, and every shared input."""
    centre, answer = state_of(estimate, bench), answer_of(estimate, bench)
    points, model = estimate.points, estimate.bench
    nothing = np.zeros_like(centre.vector)
    found: list[SystematicInput] = []

    def put(key: str, value: Measured, first_order: Floats, second_order: Floats = nothing) -> None:
        of_sample = key.startswith("sample.") or key in (DEMAGNETISING, ECCENTRICITY)
        owner = bench.sample.name if of_sample else ""
        words = WORDS[key] + (ASSUMED if value.assumed else "")
        found.append(
            SystematicInput(
                key, words, f"{owner}|{key}|{value.value!r}|{value.u!r}", first_order, second_order
            )
        )

    for i, (key, value) in enumerate(zip(model.keys, model.stated, strict=True)):
        put(key, value, answer.d_prior[:, i])
    for key, value in measured_inputs(bench):
        if key == "sample.offset":
            # The offset has no preferred side: only its square counts.
            put(key, value, nothing, answer.d_force @ _force_lost_to_offset(points, bench, value.u))
        elif key == "reference_magnet.recoil_permeability":
            put(key, value, answer.d_force @ _force_of_image(estimate, bench))
        elif key == "sample.mass":
            first_order = nothing.copy()
            centre.part("density", first_order)[:] = centre.part("density") * value.u / value.value
            put(key, value, first_order)
        elif key in ("site.latitude", "site.altitude"):
            put(key, value, *_of_gravity(key, value.u, points, bench, answer))
    return centre, answer, tuple(found)


def _of_gravity(
    key: str, u: float, points: Points, bench: Bench, answer: Sensitivity
) -> tuple[Floats, Floats]:
    """All forces are in proportion to gravity: the loop's answer to the first and second order."""
    here = weighing.force_per_kg(bench.site)
    high, low = (weighing.force_per_kg(with_value(bench, key, d).site) / here - 1.0 for d in (u, -u))
    force = answer.d_force @ np.nan_to_num(points.force)
    return 0.5 * (high - low) * force, 0.5 * (high + low) * force


def of_method(centre: State, estimate: LoopEstimate) -> tuple[tuple[str, str, Floats], ...]:
    """What the method itself brings in: key, words, and the state's change (L, r) by one standard normal a
    column."""
    down, up = estimate.descending, estimate.ascending
    other = 0 if up is None else up.unseen.shape[1]
    unseen = np.zeros((len(centre.vector), down.unseen.shape[1] + other))
    undecided = np.zeros((len(centre.vector), down.undecided.shape[1]))
    split = down.unseen.shape[1]
    centre.part("M_down", unseen.T)[:split] = down.unseen.T
    centre.part("M_down", undecided.T)[:] = down.undecided.T
    if up is not None:
        centre.part("M_up", unseen.T)[split:] = up.unseen.T
        centre.part("M_up", undecided.T)[:] = up.undecided.T
    own, knees, off, minor, approach = (np.zeros((len(centre.vector), 1)) for _ in range(5))
    centre.part("approach", approach.T)[:] = model_error.SATURATION
    taken_off, apart, met = estimate.points.taken_off, 0.0, False
    if len(down):
        verdict = judge(down, up)
        apart, met = verdict.apart, verdict.met
    if taken_off and len(down):
        Mr, HcJ = np.interp(0.0, down.H_internal, down.M), -np.interp(0.0, down.M, down.H_internal)
        loses = HcJ > 0.0 and model_error.loses_when_taken_off(down, float(down.N * Mr / HcJ))
        apart = max(apart if met else 0.0, LOST_WIDTH if loses else 0.0)
    for curve, side in ((down, "down"), (up, "up")):
        if curve is not None and len(curve):
            centre.part(f"H_{side}", own.T)[0] = model_error.of_own_field(curve)
            centre.part(f"H_{side}", minor.T)[0] = model_error.of_minor_loop(curve, apart)
            fields = estimate.H_applied[_on(estimate, curve.branch)]
            centre.part(f"M_{side}", knees.T)[0] = model_error.of_knees(curve, fields)
            if met and not taken_off:
                centre.part(f"M_{side}", minor.T)[0] = apart * curve.M
            if taken_off:
                centre.part(f"M_{side}", off.T)[0] = model_error.of_taking_off(curve)
    return (
        ("own field", "model: the own field inside the sample", own),
        ("knees", "model: knees between the readings", knees),
        ("taken off", "model: taking the sample off for a change of spacers", off),
        ("minor loop", "model: the sample does not quite saturate", minor),
        ("approach", "model: the law of approach to saturation", approach),
        ("unseen", "inversion: what lies between the readings", unseen),
        ("undecided", "inversion: how the sample's parts feel one another", undecided),
    )


def _on(estimate: LoopEstimate, branch: str) -> Bools:
    """The used rows of a branch, (n,)."""
    return (np.array(estimate.points.branch) == branch) & estimate.points.used


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
