"""The sample's own field: how its parts demagnetise one another.

Where M differs from part to part, the field the sample makes inside itself is not -N M. With T the
demagnetising tensor's axial part, averaged over the volume to N, the field at part j is
H_j - sum_i T_ji M_i. Two hypotheses are on offer, and the data say which holds (``evidence``):

- ``shape``: T as the sample's shape makes it, from the charges on the faces of its parts;
- ``part``: every part feels its own magnetisation, T = N 1 (bodies of loose grains, thin ones).
 What a part feels of its own magnetisation beyond this, an exchange-like mean field of either sign, cannot
be told apart from the material's own curve and need not be.
 T is split in two: what each part does to itself, ``own`` M_j, and the rest, D. T comes from the charges on
the faces of the body's cells, rings or boxes of even magnetisation, each cell's that of the nodes around
it; what the cells make is worked out at the nodes themselves, as close to the edges as they lie."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from ..records.arrays import Floats, Indices
from ..records.bench import ReferenceMagnet, Sample
from ..units import Measured
from .demagnetising_factor import demagnetising_factor
from .reference_magnet import axial_field_and_gradient

SHAPE, LOCAL = "shape", "part"
#: In the order tried, the quickest first, with how likely each is before the readings are asked:
#: magnetostatics knows the shape's; the other is of bodies whose grains touch too little to feel more than
#: themselves.
HYPOTHESES = {LOCAL: 0.2, SHAPE: 0.8}
#: What each means, in words.
WORDS = {
    SHAPE: "The parts of the sample feel one another as its shape has it.",
    LOCAL: "Each part feels its own magnetisation.",
}

#: Cells of the body along its height and across, for the charges.
_ALONG, _ACROSS = 14, 10
#: Layers of the body and parts of each by distance from the axis, whose means of M the others feel.
_LAYERS, _PARTS = 12, 4
#: Directions in which a ring of a block's nodes is looked at.
_TURNS = 8


@dataclass(frozen=True, eq=False)
class DemagnetisingField:
    """A hypothesis on the nodes of one sample: field at node j is H_j - own M_j - (left @ right^T M)_j.

    ``own`` is dimensionless; ``left`` and ``right`` (q, r), r = 0 for `part`.
    """

    name: str
    own: float
    left: Floats
    right: Floats

    def others(self, N: float) -> float:
        """What a uniformly magnetised body feels beside ``own``: N - own."""
        return N - self.own

    def interaction_field(self, M: Floats) -> Floats:
        """D M for magnetisations (n, q)."""
        return (M @ self.right) @ self.left.T

    def undone(self, slope: Floats, weights: Floats) -> Floats:
        """(n, q) rows w' = w (1 + diag(slope) D)^-1 for rows w of ``weights`` (n, q): how a sum over the
        nodes weighs a change of M that the others have not yet answered to (Woodbury's identity)."""
        r = self.left.shape[1]
        if not r:
            return weights
        steep = slope[:, :, None] * self.left
        inner = np.eye(r) + self.right.T @ steep
        pulled = steep.transpose(0, 2, 1) @ weights[:, :, None]
        return weights - np.linalg.solve(inner.transpose(0, 2, 1), pulled)[:, :, 0] @ self.right.T

    def answered(self, slope: Floats, change: Floats) -> Floats:
        """(1 + diag(slope) D)^-1 ``change`` for (n, q): M once all parts have answered to each other."""
        r = self.left.shape[1]
        if not r:
            return change
        steep = slope[:, :, None] * self.left
        inner = np.eye(r) + self.right.T @ steep
        H_local = np.linalg.solve(inner, (change @ self.right)[:, :, None])
        return change - (steep @ H_local)[:, :, 0]


def demagnetising_field(name: str, sample: Sample, nodes: Floats, weights: Floats) -> DemagnetisingField:
    """The hypothesis ``name`` for nodes (q, 3) in m, z from the lower face, with ``weights`` (q,) of sum 1.

    Raises KeyError for a name not in ``HYPOTHESES``.
    """
    N = demagnetising_factor(sample).axial
    if name == LOCAL:
        none = np.zeros((len(weights), 0))
        return DemagnetisingField(name, N, none, none)
    if name != SHAPE:
        raise KeyError(name)
    return DemagnetisingField(name, N, *_of_shape(_unnamed(sample), _Key(nodes), _Key(weights)))


class _Key:
    """An array that a cache may know again."""

    def __init__(self, array: Floats) -> None:
        self.array, self.bytes = array, array.tobytes()

    def __hash__(self) -> int:
        return hash(self.bytes)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and other.bytes == self.bytes


@lru_cache(maxsize=8)
def _of_shape(sample: Sample, nodes: _Key, weights: _Key) -> tuple[Floats, Floats]:
    """``left`` and ``right``: what the means of M over groups of nodes make at every node, less N of each
    itself."""
    at, w = nodes.array, weights.array
    made, place = _of_boxes(sample, at) if sample.shape == "block" else _of_rings(sample, at)
    places, cells = place
    # H is B/μ0 - M, and M is the node's own: that of its cell is another's where M changes within it.
    D = np.eye(len(w)) - made @ _nearby(places, cells)
    q = len(w)
    # The nodes' mean of T is brought to the factor of the whole body.
    D[np.diag_indices(q)] -= demagnetising_factor(sample).axial
    D -= float(w @ D.sum(axis=1)) * w
    group = _groups(sample, at)
    one = (group[:, None] == np.unique(group)).astype(float)
    return D @ one, (one * w[:, None]) / (w @ one)


def _groups(sample: Sample, at: Floats) -> Indices:
    """The nodes of a layer each, in parts by their distance from the axis: (q,). Unevenness within a group
    makes next to nothing beyond it."""
    layer = np.unique(np.round(at[:, 2] / sample.height.value * _LAYERS - 0.5), return_inverse=True)[1]
    square = at[:, 0] ** 2 + at[:, 1] ** 2
    group = np.zeros(len(at), np.intp)
    for k in range(layer.max() + 1):
        here = np.flatnonzero(layer == k)
        order = here[np.argsort(square[here], kind="stable")]
        for part, some in enumerate(np.array_split(order, _PARTS)):
            group[some] = k * _PARTS + part
    return group


def _nearby(places: Floats, cells: Floats) -> Floats:
    """(c, q): magnetisations of ``cells`` (c, d) by those at the ``places`` (q, d), linear in between;
    several nodes at one place have a share each."""
    from scipy.spatial import Delaunay

    alone, back, often = np.unique(np.round(places, 9), axis=0, return_inverse=True, return_counts=True)
    inside = np.clip(cells, alone.min(axis=0), alone.max(axis=0))
    mesh = Delaunay(alone)
    which = mesh.find_simplex(inside)
    by_place = np.zeros((len(cells), len(alone)))
    lost = which < 0
    nearest = np.argmin(((inside[:, None, :] - alone) ** 2).sum(axis=2), axis=1)
    by_place[lost, nearest[lost]] = 1.0
    found = np.flatnonzero(~lost)
    affine = mesh.transform[which[found]]
    d = alone.shape[1]
    part = np.einsum("nij,nj->ni", affine[:, :d], inside[found] - affine[:, d])
    part = np.column_stack([part, 1.0 - part.sum(axis=1)])
    np.add.at(by_place, (found[:, None], mesh.simplices[which[found]]), part)
    return by_place[:, back.ravel()] / often[back.ravel()]


def _unnamed(sample: Sample) -> Sample:
    """The shape alone, so that samples of one size share what is worked out."""
    return replace(sample, name="", mass=None, offset=Measured(0.0))


def _radius(sample: Sample) -> float:
    assert sample.diameter is not None
    return 0.5 * sample.diameter.value


def _of_rings(sample: Sample, at: Floats) -> tuple[Floats, tuple[Floats, Floats]]:
    """B/μ0 that unit magnetisation of each ring makes at the nodes (q, c), and the places of nodes and of
    rings: squared radius and height, by the body's."""
    height, radius = sample.height.value, _radius(sample)
    faces = np.linspace(0.0, height, _ALONG + 1)
    middle = 0.5 * (faces[1:] + faces[:-1])
    # A sphere or spheroid is a stack of discs, each as wide as the body at its middle.
    wide, here = np.full(_ALONG, radius), np.full(len(at), radius)
    if sample.shape != "cylinder":
        wide, here = (radius * np.sqrt(1.0 - (2.0 * z / height - 1.0) ** 2) for z in (middle, at[:, 2]))
    rims = np.sqrt(np.linspace(0.0, 1.0, _ACROSS + 1))
    rho = np.hypot(at[:, 0], at[:, 1])
    B = np.zeros((len(at), _ALONG, _ACROSS + 1))
    for k in range(_ALONG):
        for i in range(1, _ACROSS + 1):
            disc = ReferenceMagnet(
                "cylinder", Measured(height / _ALONG), Measured(1.0), diameter=Measured(2 * wide[k] * rims[i])
            )
            B[:, k, i] = axial_field_and_gradient(disc, at - np.array([0.0, 0.0, faces[k + 1]]))[0]
    made = np.diff(B, axis=2).reshape(len(at), -1)
    square = 0.5 * (rims[1:] ** 2 + rims[:-1] ** 2)
    rings = np.stack(np.meshgrid(middle / height, square, indexing="ij"), axis=-1).reshape(-1, 2)
    return made, (np.stack([at[:, 2] / height, (rho / here) ** 2], axis=1), rings)


def _of_boxes(sample: Sample, at: Floats) -> tuple[Floats, tuple[Floats, Floats]]:
    """The same of a block: a quadrant in equal boxes, each acting together with its mirror images.

    Nodes in a half plane (y = 0) stand for rings: B is the mean over the ring within the block,
    and places are by squared radius and height; else by all three sizes."""
    assert sample.length is not None
    assert sample.width is not None
    half, height = np.array([sample.length.value, sample.width.value]) / 2, sample.height.value
    n, nz = _ACROSS // 2, _ALONG
    size = np.array([*(half / n), height / nz])
    index = np.stack(np.meshgrid(range(n), range(n), range(nz), indexing="ij"), axis=-1).reshape(-1, 3)
    middle = (index + 0.5) * size
    box = ReferenceMagnet(
        "block", Measured(size[2]), Measured(1.0), length=Measured(size[0]), width=Measured(size[1])
    )

    def made_at(points: Floats) -> Floats:
        """(p, c)"""
        total = np.zeros((len(points), len(middle)))
        for mirror in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            apart = points[:, None, :] - middle * np.array([*mirror, 1])
            total += axial_field_and_gradient(box, apart - [0.0, 0.0, 0.5 * size[2]])[0]
        return total

    if at[:, 1].any():
        whole = np.array([*half, height])
        return made_at(at), (np.abs(at) / whole, middle / whole)
    angle = (np.arange(_TURNS) + 0.5) * np.pi / (2 * _TURNS)
    ring = at[:, None, :2].max(axis=2, keepdims=True) * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    points = np.concatenate([ring, np.broadcast_to(at[:, None, 2:], (*ring.shape[:2], 1))], axis=2)
    within = np.all(ring <= half, axis=2)
    within[~within.any(axis=1)] = True
    made = made_at(points.reshape(-1, 3)).reshape(len(at), _TURNS, -1)
    made = np.einsum("qt,qtc->qc", within / within.sum(axis=1, keepdims=True), made)
    corner = float(half @ half)
    places = np.stack([(at[:, :2] ** 2).sum(axis=1) / corner, at[:, 2] / height], axis=1)
    cells = np.stack([(middle[:, :2] ** 2).sum(axis=1) / corner, middle[:, 2] / height], axis=1)
    return made, (places, cells)
