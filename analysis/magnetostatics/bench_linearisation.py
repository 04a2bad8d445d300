"""The field at the sample as it depends on what the bench file only knows to within an uncertainty.

Everything here counts in standard uncertainties: z = 0 is the bench as stated, z_i = 1 the bench with its
i-th input one standard uncertainty larger. Around a chosen z field, pull and demagnetising factor are
linear in z.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Points
from ..units import Measured
from .applied_field import NodeField, node_field, rule_for
from .quadrature import same_nodes
from .reference_magnet import REMANENCE_TEMPERATURE
from .settings import GROUPED_NODES, U_DEMAGNETISING, U_FIELD_MODEL

DEMAGNETISING = "demagnetising factor"
FIELD_MODEL = "field by gradient"
#: It shifts the sample one way with one orientation and the other way with the other.
ECCENTRICITY = "gap.turner.eccentricity"

#: Words for the inputs that the field at the sample depends on.
WORDS = {
    "reference_magnet.remanence": "remanence of the reference magnet",
    "reference_magnet.height": "height of the reference magnet",
    "reference_magnet.diameter": "diameter of the reference magnet",
    "reference_magnet.length": "length of the reference magnet",
    "reference_magnet.width": "width of the reference magnet",
    "reference_magnet.outer_diameter": "outer diameter of the reference magnet",
    "reference_magnet.inner_diameter": "inner diameter of the reference magnet",
    "reference_magnet.temperature_coefficient": "temperature coefficient of the reference magnet",
    "site.temperature": "temperature",
    "sample.height": "height of the sample",
    "sample.diameter": "diameter of the sample",
    "sample.length": "length of the sample",
    "sample.width": "width of the sample",
    "gap.contact": "contact gap",
    "gap.spacer": "thickness of the spacers",
    "reference_magnet.core_excess": "excess of the reference magnet's core",
    "gap.scale": "scale of the lift",
    ECCENTRICITY: "eccentricity of the turner",
    DEMAGNETISING: "demagnetising factor",
    FIELD_MODEL: "model of the reference magnet: its field by its gradient",
}
#: The two inputs whose correlation the bench file may state by itself.
CALIBRATED = ("reference_magnet.remanence", "gap.contact")
#: Inputs that are no sizes: they may well be zero.
MAY_BE_ZERO = ("reference_magnet.core_excess", ECCENTRICITY)


@dataclass(frozen=True, eq=False)
class LinearisedBench:
    """Field and pull around the bench at ``z`` (k,); first index of the changes (k, ...) by input.

    ``stated`` are the values and standard uncertainties of the file, ``prior`` (k, k) the correlation of
    what is stated, ``stated_field`` the field at z = 0.
    """

    points: Points
    bench: Bench
    keys: tuple[str, ...]
    stated: tuple[Measured, ...]
    prior: Floats
    z: Floats
    field: NodeField
    stated_field: NodeField
    groups: NDArray[np.intp] | None
    H_change: Floats
    pull_change: Floats
    N_change: Floats
    volume_change: Floats

    def at(self, z: Floats) -> NodeField:
        """The field with the bench at ``z``, linear around this model's own."""
        by = z - self.z
        if not by.any():
            return self.field
        f = self.field
        return NodeField(
            f.H + np.tensordot(by, self.H_change, 1),
            f.pull + np.tensordot(by, self.pull_change, 1),
            f.weights,
            f.nodes,
            f.N + float(by @ self.N_change),
            f.volume + float(by @ self.volume_change),
        )

    def moved(self, z: Floats) -> LinearisedBench:
        """The same model around another ``z``, where the field is worked out again."""
        if np.array_equal(z, self.z):
            return self
        field = _together(_field_at(self.points, self.bench, self.keys, self.stated, z), self.groups)
        return replace(self, z=z, field=field)

    @property
    def found(self) -> Floats:
        """The inputs' values at ``z``, SI (k,)."""
        return np.array([s.value + s.u * by for s, by in zip(self.stated, self.z, strict=True)])


@dataclass(frozen=True)
class FoundInput:
    """One input as the bench file states it and as the readings leave it, SI; ``shift`` in standard
    uncertainties of what is stated."""

    key: str
    words: str
    stated: float
    u_stated: float
    found: float
    u_found: float
    shift: float


def found_inputs(
    model: LinearisedBench, z_d_force: Floats, z_d_prior: Floats, more: Floats | float = 0.0
) -> tuple[FoundInput, ...]:
    """The inputs as found. ``z_d_force`` (k, n) and ``z_d_prior`` (k, k) say how ``model.z`` answers to
    errors of the forces and of what is stated; the uncertainty found is that of both together and
    of ``more``, the variance (k,) of z that other errors of the forces make."""
    u_force = np.where(np.isfinite(model.points.u_force), model.points.u_force, 0.0)
    spread = z_d_force * np.where(model.points.used, u_force, 0.0)
    variance = np.einsum("ij,ij->i", spread, spread)
    variance += np.einsum("ij,jk,ik->i", z_d_prior, model.prior, z_d_prior)
    variance += more
    if model.points.zero is not None:
        variance += ((z_d_force @ model.points.zero.root) ** 2).sum(axis=1)
    return tuple(
        FoundInput(key, WORDS[key], s.value, s.u, float(found), float(s.u * np.sqrt(v)), float(z))
        for key, s, found, v, z in zip(model.keys, model.stated, model.found, variance, model.z, strict=True)
    )


def bench_model(points: Points, bench: Bench) -> LinearisedBench:
    """The model of the bench as stated, for these rows; changes by central differences of +-1 u.

    Where there are very many nodes, those that see much the same field are taken together.
    """
    field = node_field(points, bench)
    groups = _groups(field)
    field = _together(field, groups)
    inputs = dict(field_inputs(points, bench, field.N))
    keys, stated = tuple(inputs), tuple(inputs.values())
    k = len(keys)
    H, pull = (np.zeros((k, *field.H.shape)) for _ in range(2))
    N, volume = np.zeros(k), np.zeros(k)
    for i in range(k):
        z = np.zeros(k)
        z[i] = 1.0
        up, down = (
            _together(_field_at(points, bench, keys, stated, side * z), groups) for side in (1.0, -1.0)
        )
        H[i], pull[i] = 0.5 * (up.H - down.H), 0.5 * (up.pull - down.pull)
        N[i], volume[i] = 0.5 * (up.N - down.N), 0.5 * (up.volume - down.volume)
    return LinearisedBench(
        points,
        bench,
        keys,
        stated,
        stated_correlation(bench, keys),
        np.zeros(k),
        field,
        field,
        groups,
        H,
        pull,
        N,
        volume,
    )


def stated_correlation(bench: Bench, keys: tuple[str, ...]) -> Floats:
    """The correlation (k, k) of what the bench file states of these inputs: a calibration's, if it had
    one."""
    prior = np.eye(len(keys))
    found = bench.calibration
    if found is not None:
        at = [i for i, key in enumerate(found.inputs) if key in keys]
        here = [keys.index(found.inputs[i]) for i in at]
        prior[np.ix_(here, here)] = np.array(found.correlation)[np.ix_(at, at)]
    elif all(key in keys for key in CALIBRATED):
        a, b = (keys.index(key) for key in CALIBRATED)
        prior[a, b] = prior[b, a] = bench.reference_magnet.remanence_contact_correlation
    return prior


def _groups(field: NodeField) -> NDArray[np.intp] | None:
    """Which group each node is in, (q,): nodes of like height and like field; None where there are few."""
    q = len(field.weights)
    if q <= GROUPED_NODES or not np.isfinite(field.H).any():
        return None
    strongest = field.H[int(np.argmax(np.abs(np.nan_to_num(field.H_mean))))]
    side = int(np.sqrt(GROUPED_NODES))
    groups = np.zeros(q, np.intp)
    for k, layer in enumerate(np.array_split(np.argsort(field.nodes[:, 2], kind="stable"), side)):
        # Equal numbers would put the many nodes of a shrunk panel apart that share next to nothing.
        order = layer[np.argsort(strongest[layer], kind="stable")]
        share = np.cumsum(field.weights[order])
        groups[order] = k * side + np.minimum((share / share[-1] * side).astype(np.intp), side - 1)
    return np.unique(groups, return_inverse=True)[1]


def _together(field: NodeField, groups: NDArray[np.intp] | None) -> NodeField:
    """The field with the nodes of each group as one, at their mean."""
    if groups is None:
        return field
    pick = np.zeros((len(groups), groups.max() + 1))
    pick[np.arange(len(groups)), groups] = 1.0
    weights = field.weights @ pick
    mean = field.weights[:, None] * pick / weights
    return NodeField(field.H @ mean, field.pull @ pick, weights, mean.T @ field.nodes, field.N, field.volume)


def measured_inputs(bench: Bench) -> Iterator[tuple[str, Measured]]:
    """Every input of the bench that has an uncertainty, by its place: ("gap.contact", ...)."""
    for part in ("reference_magnet", "sample", "gap", "gap.turner", "site"):
        record = attrgetter(part)(bench)
        for item in () if record is None else fields(record):
            value = getattr(record, item.name)
            if isinstance(value, Measured) and value.u > 0:
                yield f"{part}.{item.name}", value


def field_inputs(points: Points, bench: Bench, N: float) -> Iterator[tuple[str, Measured]]:
    """The inputs with an uncertainty that the field at these rows, or the sample's own, depends on."""
    for key, value in measured_inputs(bench):
        counted = np.isfinite(points.spacers)
        if key not in WORDS or (key == "gap.spacer" and not counted.any()):
            continue
        if key == "gap.scale" and counted.all():
            continue
        if bench.sample.shape == "sphere" and key == "sample.height":
            continue
        yield key, value
    if bench.calibration is not None:
        yield FIELD_MODEL, Measured(1.0, U_FIELD_MODEL)
    yield DEMAGNETISING, Measured(N, U_DEMAGNETISING * N)


def with_value(bench: Bench, key: str, change: float) -> Bench:
    """The bench with one input changed by ``change`` in its SI unit."""
    part, name = key.rsplit(".", 1)
    record: Any = attrgetter(part)(bench)
    assert is_dataclass(record)
    measured: Measured = getattr(record, name)
    changed = replace(record, **{name: replace(measured, value=measured.value + change)})  # type: ignore[type-var]
    if part == "gap.turner":
        part, changed = "gap", replace(bench.gap, turner=changed)  # type: ignore[arg-type]
    if key == "sample.diameter" and bench.sample.shape == "sphere":
        changed = replace(changed, height=changed.diameter)  # type: ignore[type-var]
    return replace(bench, **{part: changed})


def _field_at(
    points: Points, bench: Bench, keys: tuple[str, ...], stated: tuple[Measured, ...], z: Floats
) -> NodeField:
    """The field of the bench at ``z``, on the nodes chosen for the bench as stated."""
    rule = rule_for(points, bench)
    strength, factor, by_gradient, changed = 1.0, 0.0, 1.0, bench
    for key, value, by in zip(keys, stated, z, strict=True):
        by_one = _of_strength(key, value.u, points, bench)
        if by_one is not None:
            strength += by * by_one
        elif key == DEMAGNETISING:
            factor = by * value.u / value.value
        elif key == FIELD_MODEL:
            by_gradient += by * value.u
        elif by:
            changed = with_value(changed, key, by * value.u)
            points = _points_at(points, bench, key, by * value.u)
    f = node_field(points, changed, same_nodes(rule, bench.sample, changed.sample))
    return NodeField(
        f.H * strength * by_gradient,
        f.pull * strength,
        f.weights,
        f.nodes,
        f.N * (1.0 + factor),
        f.volume,
    )


def _points_at(points: Points, bench: Bench, key: str, change: float) -> Points:
    """The points as they lie with one input of the gap changed."""
    if key == "gap.contact":
        return replace(points, gap=points.gap + change)
    if key == "gap.spacer":
        return replace(points, gap=points.gap + np.nan_to_num(points.spacers) * change)
    if key == "gap.scale":
        raised = np.where(np.isfinite(points.spacers), 0.0, points.gap - bench.gap.contact.value)
        return replace(points, gap=points.gap + raised * change / bench.gap.scale.value)
    return points


def _of_strength(key: str, u: float, points: Points, bench: Bench) -> float | None:
    """By which part one standard uncertainty of an input changes the field's strength; None for another."""
    magnet = bench.reference_magnet
    kelvin = points.temperature[np.isfinite(points.temperature)]
    warmth = (float(kelvin.mean()) if len(kelvin) else bench.site.temperature.value) - REMANENCE_TEMPERATURE
    coefficient = magnet.temperature_coefficient.value
    now = 1.0 + coefficient * warmth
    parts = {
        "reference_magnet.remanence": u / magnet.remanence.value,
        "site.temperature": coefficient * u / now,
        "reference_magnet.temperature_coefficient": warmth * u / now,
    }
    return parts.get(key)
