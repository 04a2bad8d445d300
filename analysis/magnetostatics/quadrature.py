"""Averages of the field over the sample's volume.

Gauss-Legendre nodes along each direction; round bodies use the squared radius as their coordinate, in
which the area is uniform and a smooth field is a polynomial. Where one of the magnet's sharp edges comes
close to the sample, panels shrink geometrically toward it. How fine is not a setting: the rule is
refined until the averages of field and gradient stand still.

Symmetry is used where there is any: over a round magnet a half plane stands for the whole coaxial sample,
over a block one quadrant does; off the magnet's axis it takes the whole body.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ..records.arrays import Floats, KnownArray, for_all
from ..records.bench import ReferenceMagnet, Sample
from .reference_magnet import axial_field_and_gradient, axial_gradient, cylinders, half_sides, is_round
from .settings import DIRECTIONS, LEAST_ACROSS, LEAST_ORDER_OF_LAYERS, MOST_NODES, REFINEMENTS, SHRINK

Symmetry = Literal["axis", "quadrant", "none"]


@dataclass(frozen=True, eq=False)
class Rule:
    """Nodes of one sample: ``points`` (q, 3) in m, z from the lower face, ``weights`` (q,) of sum 1."""

    points: Floats
    weights: Floats
    order: int
    levels: int
    symmetry: Symmetry
    #: Largest relative change of the averages at the next refinements; NaN where not sought.
    error: float = float("nan")


@dataclass(frozen=True, eq=False)
class Layers:
    """Field (T) and axial gradient (T/m) at every node, (n gaps, q nodes), and the nodes' weights (q,)."""

    Bz: Floats
    dBz: Floats
    weights: Floats


def sample_nodes(
    sample: Sample,
    order: int = 8,
    *,
    symmetry: Symmetry = "none",
    magnet: ReferenceMagnet | None = None,
    levels: int = 0,
    across: int | None = None,
) -> tuple[Floats, Floats]:
    """Nodes (q, 3) in m, z = 0 ... height from the sample's lower face, and weights (q,) of sum 1.

    ``order`` is the number of nodes per panel and direction. With a ``magnet`` panels end at its edges and
    shrink toward them in ``levels`` steps. ``symmetry`` says what of the body may stand for the whole.
    ``across``: nodes along a side of a block, or directions in a quadrant of a round body, where not
    ``order``."""
    height = sample.height.value
    sideways = across or order
    # Where panels cannot follow the magnet's edges, more nodes have to do.
    plain = order if levels == 0 else (levels + 2) * order
    z, wz = _graded(0.0, height, [0.0] if levels else [], levels, order)
    if sample.shape == "block" and symmetry == "axis":
        return _block_by_radius(sample, z, wz, magnet, levels, order)
    if sample.shape == "block":
        sides = half_sides(magnet) if magnet is not None and not is_round(magnet) else None
        axes = []
        for i, half in enumerate(_half_sides(sample)):
            low = -half if symmetry == "none" else 0.0
            edges = [] if sides is None else [sides[i]] if low == 0 else [-sides[i], sides[i]]
            axes.append(_graded(low, half, edges, levels, sideways if edges or not levels else plain))
        (x, wx), (y, wy) = axes
        return _grid(x, wx, y, wy, z, wz)

    radius = _radius(sample)
    edges = [R for _, R in cylinders(magnet)] if magnet is not None and is_round(magnet) else []
    if sample.shape == "cylinder":
        s, ws = _graded(0.0, radius**2, [R**2 for R in edges], levels, order if edges else plain)
        rho, along, weights = np.sqrt(s)[:, None], z[None, :], ws[:, None] * wz[None, :]
    else:  # sphere and spheroid: each slice is a disc
        s, ws = _graded(0.0, 1.0, [], 0, plain)
        wide = 1 - (2 * z / height - 1) ** 2
        rho = radius * np.sqrt(s[:, None] * wide[None, :])
        along, weights = z[None, :], ws[:, None] * (wz * wide)[None, :]
    rho, along, weights = (a.ravel() for a in np.broadcast_arrays(rho, along, weights))
    if symmetry == "axis":
        points = np.stack([rho, np.zeros_like(rho), along], axis=1)
        return points, weights / weights.sum()
    # Equal angles: exponentially accurate round a circle. The quadrant's are a quarter of the circle's.
    each = plain if levels else sideways
    turns = 4 * each if symmetry == "none" else each
    angle = (np.arange(turns) + 0.5) * (2 * np.pi / (4 * each))
    x, y = rho[:, None] * np.cos(angle), rho[:, None] * np.sin(angle)
    points = np.stack([x, y, np.broadcast_to(along[:, None], x.shape)], axis=-1).reshape(-1, 3)
    weights = np.repeat(weights, turns)
    return points, weights / weights.sum()


def symmetry_of(magnet: ReferenceMagnet, sample: Sample, offset: float = 0.0) -> Symmetry:
    """What part of the sample stands for the whole: see the module's text."""
    if offset != 0.0:
        return "none"
    return "axis" if is_round(magnet) else "quadrant"


@lru_cache(maxsize=64)
def choose_order(
    magnet: ReferenceMagnet,
    sample: Sample,
    gap: float,
    tolerance: float = 1e-6,
    offset: float = 0.0,
    least: int = 4,
) -> Rule:
    """The coarsest rule whose averages of Bz and dBz/dz at ``gap`` (m) the next two finer ones confirm.

    One alone may lie on the same side of the truth, near its limit. ``tolerance`` is relative to the average
    of the magnitude, so that a ring's field crossing zero is no special case. Meant for the closest gap of a
    ladder: farther away the field is smoother. ``least`` is the fewest nodes per direction. The rule's
    ``error`` says what was reached.
    """
    symmetry = symmetry_of(magnet, sample, offset)
    tried: list[tuple[Rule, Floats]] = []
    for levels, order in REFINEMENTS:
        if order < least:
            continue
        points, weights = sample_nodes(sample, order, symmetry=symmetry, magnet=magnet, levels=levels)
        both = np.array(axial_field_and_gradient(magnet, points + np.array([offset, 0.0, gap])))
        means, scale = both @ weights, np.abs(both) @ weights
        changes = [float(np.max(np.abs(means - known) / scale)) for _, known in tried[-2:]]
        if len(changes) == 2 and max(changes) < tolerance:
            return replace(tried[-2][0], error=max(changes))
        error = changes[-1] if changes else float("inf")
        tried.append((Rule(points, weights, order, levels, symmetry, error), means))
        if len(weights) > MOST_NODES:
            break
    return tried[-1][0]


def layers(
    magnet: ReferenceMagnet,
    sample: Sample,
    gaps: ArrayLike,
    *,
    rule: Rule | None = None,
    offset: float = 0.0,
) -> Layers:
    """Bz (n, q) and dBz/dz (n, q) at every node of the sample at every gap (n,) in m, in one call.

    ``rule``: nodes chosen before, to share them between perturbed magnets; else chosen for the closest gap.
    ``offset`` (m) displaces the sample's axis along x.
    """
    at = np.atleast_1d(np.asarray(gaps, float))
    if rule is None:
        return _known_layers(magnet, sample, KnownArray(at), offset)
    return _layers(magnet, at, rule, offset)


@lru_cache(maxsize=32)
def _known_layers(magnet: ReferenceMagnet, sample: Sample, gaps: KnownArray, offset: float) -> Layers:
    """Planning looks at the same gaps again and again."""
    rule = rule_of_layers(magnet, sample, float(gaps.array.min()), offset)
    found = _layers(magnet, gaps.array, rule, offset)
    return Layers(for_all(found.Bz), for_all(found.dBz), found.weights)


def _layers(magnet: ReferenceMagnet, at: Floats, rule: Rule, offset: float) -> Layers:
    Bz, dBz = axial_field_and_gradient(magnet, _places(rule, at, offset))
    return Layers(Bz, dBz, rule.weights)


def _places(rule: Rule, at: Floats, offset: float = 0.0) -> Floats:
    """Where the nodes are (n, q, 3), m above the magnet, at the gaps ``at`` (n,)."""
    shift = np.zeros((len(at), 1, 3))
    shift[:, 0, 0], shift[:, 0, 2] = offset, at
    return rule.points[None, :, :] + shift


def rule_of_layers(magnet: ReferenceMagnet, sample: Sample, gap: float, offset: float = 0.0) -> Rule:
    """Nodes over which the sample's magnetisation, not the field alone, may be summed, for gaps (m) from
    ``gap`` on."""
    rule = choose_order(magnet, sample, gap, offset=offset, least=LEAST_ORDER_OF_LAYERS)
    if rule.symmetry == "axis" or rule.levels:
        return rule
    # The field varies most along its own axis: sideways fewer nodes do.
    across = max(LEAST_ACROSS, rule.order // 2) if sample.shape == "block" else DIRECTIONS
    points, weights = sample_nodes(sample, rule.order, symmetry=rule.symmetry, magnet=magnet, across=across)
    return replace(rule, points=points, weights=weights, error=float("nan"))


def same_nodes(rule: Rule, sample: Sample, changed: Sample) -> Rule:
    """The nodes of ``rule`` as they lie in the sample with its sizes slightly ``changed``.

    They stay where they are in the body, whatever becomes of the magnet's edges: their number must not
    change with a size, or benches could not be told apart by nothing else. Stretching a body along its axes
    leaves the weights as they are; only a block's rings change their arcs.
    """
    if sample == changed:
        return rule
    up = changed.height.value / sample.height.value
    if sample.shape != "block":
        wide = _radius(changed) / _radius(sample)
        return replace(rule, points=rule.points * [wide, wide, up], error=float("nan"))
    before, after = np.array(_half_sides(sample)), np.array(_half_sides(changed))
    if rule.symmetry != "axis":
        return replace(rule, points=rule.points * [*(after / before), up], error=float("nan"))
    # Between the corners of the rings' weights the squared radius stretches evenly.
    corners, moved = (np.unique([0.0, *np.sort(h**2), np.sum(h**2)]) for h in (before, after))
    if len(corners) != len(moved):  # a square becoming a rectangle, or the reverse
        corners, moved = (np.array([0.0, np.mean(h**2), np.sum(h**2)]) for h in (before, after))
    s = rule.points[:, 0] ** 2
    stretch = (np.diff(moved) / np.diff(corners))[np.searchsorted(corners[1:-1], s)]
    s_moved = np.interp(s, corners, moved)
    weights = rule.weights * stretch * _arc(s_moved, *after) / _arc(s, *before)
    points = np.stack([np.sqrt(s_moved), rule.points[:, 1], rule.points[:, 2] * up], axis=1)
    return replace(rule, points=points, weights=weights / weights.sum(), error=float("nan"))


def mean_field(
    magnet: ReferenceMagnet,
    sample: Sample,
    gaps: ArrayLike,
    *,
    rule: Rule | None = None,
    offset: float = 0.0,
) -> tuple[Floats, Floats]:
    """Averages over the sample's volume of Bz (n,) in T and dBz/dz (n,) in T/m at ``gaps`` (n,) in m."""
    if rule is None:
        rule = choose_order(magnet, sample, float(np.min(gaps)), offset=offset)
    at = layers(magnet, sample, gaps, rule=rule, offset=offset)
    return at.Bz @ at.weights, at.dBz @ at.weights


def mean_gradient(magnet: ReferenceMagnet, gaps: ArrayLike, rule: Rule) -> Floats:
    """The average of dBz/dz (n,) in T/m over the nodes of ``rule`` at ``gaps`` (n,) in m: that of
    ``mean_field`` for a third of its work."""
    return axial_gradient(magnet, _places(rule, np.atleast_1d(np.asarray(gaps, float)))) @ rule.weights


def volume(sample: Sample) -> float:
    """The sample's volume, m³."""
    height = sample.height.value
    if sample.shape == "block":
        a, b = _half_sides(sample)
        return 4 * a * b * height
    disc = np.pi * _radius(sample) ** 2
    return float(disc * height * (1.0 if sample.shape == "cylinder" else 2.0 / 3.0))


def _radius(sample: Sample) -> float:
    if sample.diameter is None:
        raise ValueError(f"a sample of shape {sample.shape} needs its diameter")
    return sample.diameter.value / 2


def _half_sides(sample: Sample) -> tuple[float, float]:
    if sample.length is None or sample.width is None:
        raise ValueError("a sample of shape block needs its length and width")
    return sample.length.value / 2, sample.width.value / 2


def _block_by_radius(
    sample: Sample, z: Floats, wz: Floats, magnet: ReferenceMagnet | None, levels: int, order: int
) -> tuple[Floats, Floats]:
    """Nodes of a block in a field of revolution: rings about the axis, weighted by their arc inside it.

    The arc shortens like a square root where the ring begins to leave the block's sides.
    """
    a, b = _half_sides(sample)
    edges = [R**2 for _, R in cylinders(magnet)] if magnet is not None else []
    s, ws = _graded(0.0, a**2 + b**2, edges, levels, order, kinks=(a**2, b**2))
    ws = ws * _arc(s, a, b)
    radius, along = (c.ravel() for c in np.broadcast_arrays(np.sqrt(s)[:, None], z[None, :]))
    weights = (ws[:, None] * wz[None, :]).ravel()
    return np.stack([radius, np.zeros_like(radius), along], axis=1), weights / weights.sum()


def _arc(s: Floats, a: float, b: float) -> Floats:
    """The part of a ring of squared radius ``s`` (m²) that lies in a block of half sides ``a``, ``b``."""
    rho = np.sqrt(s)
    outside = np.arccos(np.minimum(a / rho, 1.0)) + np.arccos(np.minimum(b / rho, 1.0))
    return 1 - outside / (np.pi / 2)


def _graded(
    low: float, high: float, edges: list[float], levels: int, order: int, kinks: tuple[float, ...] = ()
) -> tuple[Floats, Floats]:
    """Composite Gauss-Legendre nodes and weights on low ... high, panels shrinking toward each edge.

    Above each of the ``kinks`` the integrand starts like a square root; there the coordinate is squared.
    """
    targets = {min(max(edge, low), high) for edge in edges}
    corners = sorted({low, high, *targets, *(kink for kink in kinks if low < kink < high)})
    x, w = _gauss_legendre(order)
    shrinking = SHRINK ** np.arange(1, levels + 1)
    nodes, weights = [], []
    for start, end in pairwise(corners):
        near = shrinking if start in targets else []
        far = 1 - shrinking if end in targets else []
        ends = np.unique(np.concatenate([[0.0, 1.0], near, far]))
        half, middle = np.diff(ends)[:, None] / 2, (ends[1:] + ends[:-1])[:, None] / 2
        t, dt = (middle + half * x).ravel(), (half * w).ravel()
        if start in kinks:
            t, dt = t**2, 2 * t * dt
        nodes.append(start + (end - start) * t)
        weights.append((end - start) * dt)
    return np.concatenate(nodes), np.concatenate(weights)


@cache
def _gauss_legendre(order: int) -> tuple[Floats, Floats]:
    """Nodes and weights (order,) of the Gauss-Legendre rule on -1 ... 1: worked out once for all panels."""
    x, w = np.polynomial.legendre.leggauss(order)
    x.flags.writeable = w.flags.writeable = False
    return x, w


def _grid(x: Floats, wx: Floats, y: Floats, wy: Floats, z: Floats, wz: Floats) -> tuple[Floats, Floats]:
    points = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    weights = (wx[:, None, None] * wy[None, :, None] * wz[None, None, :]).ravel()
    return points, weights / weights.sum()
