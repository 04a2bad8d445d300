"""The sample's own field: how its parts demagnetise one another.

Where M differs from part to part, the field the sample makes inside itself is not -N M. With T the
demagnetising tensor's axial part, averaged over the volume to N, the field at part j is
H_j - sum_i T_ji M_i. Two hypotheses are on offer, and the data say which holds (``evidence``):

- ``shape``: T as the sample's shape makes it, from the charges on the faces of its parts;
- ``part``: every part feels its own magnetisation, T = N 1 (bodies of loose grains, thin ones).
 What a part feels of its own magnetisation beyond this, an exchange-like mean field of either sign, cannot
be told apart from the material's own curve and need not be.
 T is split in two: what each part does to itself, ``own`` M_j, and the rest, D. T is that of the body's
cells, rings or boxes of even magnetisation, one for each group of nodes: closed forms for the mean over
one cell of what another makes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from ..records.arrays import Floats, Indices, KnownArray
from ..records.bench import Sample
from ..units import Measured
from .current_loop import mutual_inductance
from .demagnetising_factor import demagnetising_factor
from .settings import BOXES, HEIGHT_NODES, LOCAL_LIKELIHOOD, MOST_GROUPS, MOST_LAYERS, ROWS_AT_ONCE

SHAPE, LOCAL = "shape", "part"
#: In the order tried, the quickest first, with how likely each is before the readings are asked:
#: magnetostatics knows the shape's; the other is of bodies whose grains touch too little to feel more than
#: themselves.
HYPOTHESES = {LOCAL: LOCAL_LIKELIHOOD, SHAPE: 1.0 - LOCAL_LIKELIHOOD}
#: What each means, in words.
WORDS = {
    SHAPE: "The parts of the sample feel one another as its shape has it.",
    LOCAL: "Each part feels its own magnetisation.",
}


@dataclass(frozen=True, eq=False)
class DemagnetisingField:
    """A hypothesis on the nodes of one sample: field at node j is H_j - (own + felt) M_j - (D M)_j.

    ``own`` and ``felt`` are dimensionless: of what a part does to itself, what is left to its own curve, and
    what its hysterons feel as they feel the others. D acts between groups of nodes: ``group`` (q,) of each,
    ``mean`` (q, r) the weights of a group's mean, ``between`` (r, r) what each mean makes in each group,
    nothing for `part`.
    """

    name: str
    own: float
    felt: float
    group: Indices
    mean: Floats
    between: Floats

    def others(self, N: float) -> float:
        """The interaction field of a uniformly magnetised body beside ``own``: N - own."""
        return N - self.own

    @cached_property
    def whole(self) -> bool:
        """Whether what the parts feel depends on M."""
        return bool(self.felt) or not self._alone

    @cached_property
    def _alone(self) -> bool:
        """Whether no part feels another."""
        return not self.between.any()

    def interaction_field(self, M: Floats) -> Floats:
        """(felt + D) M for magnetisations (n, q)."""
        own = self.felt * M
        return own if self._alone else own + (M @ self.mean @ self.between.T)[:, self.group]

    def undone(self, slope: Floats, weights: Floats) -> Floats:
        """(n, q) rows w' = w (1 + diag(slope) (felt + D))^-1 for rows w of ``weights`` (n, q): how a sum over
        the nodes weighs a change of M that the others have not yet answered to (Woodbury's identity)."""
        if not self.whole:
            return weights
        slower = 1.0 + self.felt * slope
        if self._alone:
            return weights / slower
        slope = slope / slower
        pulled = self._summed(weights * slope) @ self.between
        return (weights - self._solved(slope, pulled, turned=True) @ self.mean.T) / slower

    def answered(self, slope: Floats, change: Floats) -> Floats:
        """(1 + diag(slope) (felt + D))^-1 ``change`` for (n, q): M once all parts have answered to each
        other."""
        if not self.whole:
            return change
        slower = 1.0 + self.felt * slope
        if self._alone:
            return change / slower
        slope, change = slope / slower, change / slower
        means = self._solved(slope, change @ self.mean)
        return change - slope * (means @ self.between.T)[:, self.group]

    def _solved(self, slope: Floats, target: Floats, *, turned: bool = False) -> Floats:
        """(1 + diag(slope) D)^-1 ``target`` between the groups' means (n, r); ``turned``: its transposed."""
        found, by_group, k = np.empty_like(target), slope @ self.mean, np.arange(len(self.between))
        for i in range(0, len(target), ROWS_AT_ONCE):
            some = slice(i, i + ROWS_AT_ONCE)
            inner = by_group[some, :, None] * self.between
            inner[:, k, k] += 1.0
            inner = inner.transpose(0, 2, 1) if turned else inner
            found[some] = np.linalg.solve(inner, target[some, :, None])[:, :, 0]
        return found

    def _summed(self, values: Floats) -> Floats:
        """(n, q) summed over each group: (n, r)."""
        return values @ (self.group[:, None] == np.arange(len(self.between)))


def demagnetising_field(
    name: str, sample: Sample, nodes: Floats, weights: Floats, felt: float = 0.0
) -> DemagnetisingField:
    """The hypothesis ``name`` for nodes (q, 3) in m, z from the lower face, with ``weights`` (q,) of sum 1;
    ``felt``: which part of what a part of the sample does to itself its hysterons feel.

    Raises KeyError for a name not in ``HYPOTHESES``.
    """
    N = demagnetising_factor(sample).axial
    if name == LOCAL:
        alone = np.zeros(len(weights), np.intp), np.zeros((len(weights), 1)), np.zeros((1, 1))
        return DemagnetisingField(name, (1.0 - felt) * N, felt * N, *alone)
    if name != SHAPE:
        raise KeyError(name)
    shape = _of_shape(_unnamed(sample), KnownArray(nodes), KnownArray(weights))
    return DemagnetisingField(name, (1.0 - felt) * N, felt * N, *shape)


@lru_cache(maxsize=8)
def _of_shape(sample: Sample, nodes: KnownArray, weights: KnownArray) -> tuple[Indices, Floats, Floats]:
    """Group of each node, weights of the groups' means, and what each mean makes in each group, less N of
    itself.

    The body is cut into as many cells as there are groups, each with its group's magnetisation and share of
    the volume; a node feels the mean over its cell. The energy of any magnetisation is that of the cells
    (Galerkin's method), so that none demagnetises itself less than nothing.
    """
    at, w = nodes.array, weights.array
    rings = not at[:, 1].any()
    group, layer = _groups(sample, at, rings)
    one = (group[:, None] == np.arange(group.max() + 1)).astype(float)
    share = w @ one
    # A sphere or spheroid is a stack of discs.
    narrow = 1.0
    if sample.shape not in ("cylinder", "block"):
        narrow = 1.0 - (2.0 * at[:, 2] / sample.height.value - 1.0) ** 2
    thick = np.bincount(layer, w / narrow)
    faces = np.append(0.0, np.cumsum(thick / thick.sum())) * sample.height.value
    at_layer = layer[np.argmax(one, axis=0)]
    if sample.shape == "block":
        tensor = _of_boxes(sample, faces, at_layer, share, rings)
    else:
        tensor = _of_rings(sample, faces, at_layer, share)
    # The mean of T is brought to the factor of the whole body.
    D = tensor - demagnetising_factor(sample).axial * np.eye(len(share))
    D -= float(share @ D.sum(axis=1)) * share
    return group, one * w[:, None] / share, D


def _groups(sample: Sample, at: Floats, rings: bool) -> tuple[Indices, Indices]:
    """The group and the layer of each node (q,), layers counted from below, their groups from the axis
    outward."""
    layer = np.unique(np.round(at[:, 2] / sample.height.value * MOST_LAYERS - 0.5), return_inverse=True)[1]
    outward, most = _outward(sample, at, rings), MOST_GROUPS // (layer.max() + 1)
    group = np.zeros(len(at), np.intp)
    for k in range(layer.max() + 1):
        here = np.flatnonzero(layer == k)
        alone, place = np.unique(np.round(outward[here], 6), return_inverse=True)
        group[here] = group.max() + (k > 0) + place * min(most, len(alone)) // len(alone)
    return group, layer


def _outward(sample: Sample, at: Floats, rings: bool) -> Floats:
    """How far out places (q, 2 or more) are: by the squared radius, or by how near they are to a block's
    sides; ``rings``: where nodes of a block stand for rings."""
    square = (at[:, :2] ** 2).sum(axis=1)
    if sample.shape == "block" and not rings:
        return np.abs(at[:, :2] / _half_sides(sample)).max(axis=1)
    return square / square.max()


def _of_rings(sample: Sample, faces: Floats, layer: Indices, share: Floats) -> Floats:
    """(g, g): the mean demagnetising field in each ring by the magnetisation of each.

    ``layer`` (g,) of each ring between its two of the ``faces``, rings from the axis outward, ``share`` (g,)
    of the volume. A ring is a sheet of current on its outer mantle less one on its inner: the mean of B over
    it is the flux of all sheets through all circles of its mantles, the mutual inductance of two circles
    summed over both their heights.
    """
    body = np.pi * _radius(sample) ** 2 * sample.height.value * (1.0 if sample.shape == "cylinder" else 2 / 3)
    low, high = faces[layer], faces[layer + 1]
    same = layer[:, None] == layer
    area = np.where(np.tril(same), body * share, 0.0).sum(axis=1) / (high - low)
    linked = _linked(np.sqrt(area / np.pi), low, high)
    inner = np.eye(len(share)) - np.diag(same.diagonal(1).astype(float), -1)
    return np.eye(len(share)) - inner @ linked @ inner.T / (body * share)[:, None]


def _linked(a: Floats, low: Floats, high: Floats) -> Floats:
    """(g, g): the mutual inductance, by mu0, of circles of radii ``a`` (g,) from ``low`` to ``high``, summed
    over both heights: its second integral over their distance."""
    x, w = np.polynomial.legendre.leggauss(HEIGHT_NODES)
    # The nodes crowd where two circles of one mantle meet.
    x, w = (0.5 * (x + 1.0)) ** 3, 1.5 * (0.5 * (x + 1.0)) ** 2 * w
    one, two = np.triu_indices(len(a))
    total = np.zeros(len(one))
    for first, second, sign in ((high, low, 1.0), (low, high, 1.0), (high, high, -1.0), (low, low, -1.0)):
        apart = np.abs(first[one] - second[two])[:, None]
        M = mutual_inductance(a[one][:, None], a[two][:, None], np.maximum(apart * x, 1e-9 * a.max()))
        total += sign * apart[:, 0] ** 2 * (M @ (w * (1.0 - x)))
    linked = np.zeros((len(a), len(a)))
    linked[one, two] = linked[two, one] = total
    return linked


def _of_boxes(sample: Sample, faces: Floats, layer: Indices, share: Floats, rings: bool) -> Floats:
    """The same of a block: each group is the boxes that, outward, make up its share of the layer.

    Boxes of a quadrant, each acting together with its mirror images: the mean over a box of the field of
    another is differences of one function (A. J. Newell, W. Williams and D. J. Dunlop, J. Geophys. Res. 98
    (1993) 9551, from memory).
    """
    n, half = BOXES, _half_sides(sample)
    x, y = (np.arange(-1, 2 * n + 1) * side / n for side in half)
    T = _newell(x[:, None, None, None], y[:, None, None], faces[:, None] - faces)
    T = np.diff(np.diff(T, 2, axis=0), 2, axis=1)
    T = T[..., 1:, 1:] + T[..., :-1, :-1] - T[..., 1:, :-1] - T[..., :-1, 1:]
    i, j = np.divmod(np.arange(n * n), n)
    outward = _outward(sample, np.stack([i + 0.5, j + 0.5], axis=1) * half / n, rings)
    i, j = (index[np.argsort(outward, kind="stable")] for index in (i, j))
    pairs = np.zeros((n * n, n * n, len(faces) - 1, len(faces) - 1))
    for across in (np.abs(i[:, None] - i), i[:, None] + i + 1):
        for along in (np.abs(j[:, None] - j), j[:, None] + j + 1):
            pairs += T[across, along]
    # Which part of each box each group is, in order outward.
    same = layer[:, None] == layer
    end = (same * np.tril(np.ones_like(same))) @ share / (same @ share) * n * n
    start = end - share / (same @ share) * n * n
    box = np.arange(n * n)
    part = np.maximum(np.minimum(end[:, None], box + 1.0) - np.maximum(start[:, None], box), 0.0)
    energy = np.zeros((len(share), len(share)))
    for k in range(len(faces) - 1):
        for other in range(len(faces) - 1):
            rows, columns = np.flatnonzero(layer == k), np.flatnonzero(layer == other)
            energy[np.ix_(rows, columns)] = part[rows] @ pairs[:, :, k, other] @ part[columns].T
    quadrant = float(np.prod(half)) * sample.height.value
    return energy / (4.0 * np.pi * quadrant * share)[:, None]


def _newell(x: Floats, y: Floats, z: Floats) -> Floats:
    """The function whose differences are the field along z, summed over a box."""
    x2, y2, z2 = x * x, y * y, z * z
    R = np.sqrt(x2 + y2 + z2)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = (
            0.5 * y * (x2 - z2) * np.arcsinh(y / np.sqrt(x2 + z2)),
            0.5 * x * (y2 - z2) * np.arcsinh(x / np.sqrt(y2 + z2)),
            -x * y * z * np.arctan(x * y / (z * R)),
        )
    return sum((np.nan_to_num(term) for term in terms), (2.0 * z2 - x2 - y2) * R / 6.0)


def _unnamed(sample: Sample) -> Sample:
    """The shape alone, so that samples of one size share what is worked out."""
    return replace(sample, name="", mass=None, offset=Measured(0.0))


def _radius(sample: Sample) -> float:
    assert sample.diameter is not None
    return 0.5 * sample.diameter.value


def _half_sides(sample: Sample) -> Floats:
    assert sample.length is not None
    assert sample.width is not None
    return np.array([sample.length.value, sample.width.value]) / 2
