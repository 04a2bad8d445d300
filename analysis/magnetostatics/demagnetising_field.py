"""The sample's own field: how its parts demagnetise one another.

Where M differs from part to part, the field the sample makes inside itself is not -N M. With T the
demagnetising tensor's axial part, averaged over the volume to N, the field at part j is
H_j - sum_i T_ji M_i. Three hypotheses are on offer, and the data say which holds (``evidence``):

- ``shape``: T as the sample's shape makes it, from the charges on the faces of its parts;
- ``part``: every part feels its own magnetisation, T = N 1 (thin bodies);
- ``mean``: all feel the average, T_ji = N w_i (bodies whose M hardly differs, or an easy shortcut).

T is split in two: what each part does to itself, ``own`` M_j, and the rest, D = left @ right^T of low rank,
as only the smooth part of M matters to the others: M is expanded in polynomials of height and squared
radius, and D taken between those (Galerkin's method).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet, Sample
from ..units import Measured
from .demagnetising_factor import demagnetising_factor
from .reference_magnet import axial_field_and_gradient

SHAPE, LOCAL, MEAN_FIELD = "shape", "part", "mean"
#: In the order tried, the quickest first, with how likely each is before the readings are asked: our own
#: shape's calculation is good to a few per cent of the difference between the first two, and pressed bodies
#: are not quite of one density. The last is a shortcut that no body takes.
HYPOTHESES = {LOCAL: 0.5, SHAPE: 0.45, MEAN_FIELD: 0.05}
#: What each means, in words.
WORDS = {
    SHAPE: "The parts of the sample feel one another as its shape has it.",
    LOCAL: "Each part feels its own magnetisation.",
    MEAN_FIELD: "All parts feel the sample's mean magnetisation.",
}

#: Highest power of the height in the polynomials of M (a power of the squared radius counts as two).
_DEGREE = 6
#: Parts of the body along its height and across, for the charges.
_ALONG, _ACROSS = 14, 10
#: Polynomials that come to less than this part of the largest mean square over the nodes are zero there.
_KNOWN = 1e-9


@dataclass(frozen=True, eq=False)
class DemagnetisingField:
    """A hypothesis on the nodes of one sample: field at node j is H_j - own M_j - (left @ right^T M)_j.

    ``own`` is dimensionless; ``left`` and ``right`` (q, r), r = 0 for `part`.
    """

    name: str
    own: float
    left: Floats
    right: Floats

    def in_part(self, share: float) -> DemagnetisingField:
        """The same with what others make felt to this share only: a step on the way to the whole."""
        return replace(self, left=share * self.left)

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
    N, none = demagnetising_factor(sample).axial, np.zeros((len(weights), 0))
    if name == LOCAL:
        return DemagnetisingField(name, N, none, none)
    if name == MEAN_FIELD:
        return DemagnetisingField(name, 0.0, np.full((len(weights), 1), N), weights[:, None])
    if name != SHAPE:
        raise KeyError(name)
    powers = _polynomials(nodes, sample)
    # Orthonormal over the nodes, which reach nearer to the faces than the middles of the parts do: a
    # polynomial orthonormal over those alone may be anything out there. Few nodes know fewer polynomials.
    size, axes = np.linalg.eigh(powers.T @ (weights[:, None] * powers))
    known = size > _KNOWN * size[-1]
    basis = axes[:, known] / np.sqrt(size[known])
    Q, between = powers @ basis, basis.T @ _between_polynomials(_unnamed(sample)) @ basis
    left, right = Q @ (between - N * np.eye(len(between))), weights[:, None] * Q
    return DemagnetisingField(name, N, left, right)


def _unnamed(sample: Sample) -> Sample:
    """The shape alone, so that samples of one size share what is worked out."""
    return replace(sample, name="", mass=None, offset=Measured(0.0))


@lru_cache(maxsize=16)
def _between_polynomials(sample: Sample) -> Floats:
    """T between the polynomials (p, p): volume means of each times the field of each other."""
    at, share, field = _parts(sample)
    powers = _polynomials(at, sample)
    between = powers.T @ (share[:, None] * (field @ powers))
    between = 0.5 * (between + between.T)
    # The parts are few; their mean of T is brought to the factor of the whole body.
    return np.asarray(between * (demagnetising_factor(sample).axial / between[0, 0]), float)


def _polynomials(at: Floats, sample: Sample) -> Floats:
    """Products of powers of height and squared radius (q, p), the constant first, each of order one."""
    z = 2.0 * at[:, 2] / sample.height.value - 1.0
    s = (at[:, 0] ** 2 + at[:, 1] ** 2) / _reach(sample) ** 2
    Z = np.polynomial.legendre.legvander(z, _DEGREE)
    S = np.polynomial.legendre.legvander(2.0 * s - 1.0, _DEGREE // 2)
    pairs = [(i, j) for j in range(_DEGREE // 2 + 1) for i in range(_DEGREE + 1) if i + 2 * j <= _DEGREE]
    return np.stack([Z[:, i] * S[:, j] for i, j in pairs], axis=1)


def _reach(sample: Sample) -> float:
    """The farthest the body extends from its axis, m."""
    if sample.shape == "block":
        assert sample.length is not None
        assert sample.width is not None
        return 0.5 * float(np.hypot(sample.length.value, sample.width.value))
    assert sample.diameter is not None
    return 0.5 * sample.diameter.value


def _parts(sample: Sample) -> tuple[Floats, Floats, Any]:
    """The body in parts: centres (c, 3) in m, shares of the volume (c,), and T between them (c, c)."""
    if sample.shape == "block":
        return _boxes(sample)
    height, radius = sample.height.value, _reach(sample)
    faces = np.linspace(0.0, height, _ALONG + 1)
    middle = 0.5 * (faces[1:] + faces[:-1])
    # A sphere or spheroid is a stack of discs, each as wide as the body at its middle.
    wide = np.full(_ALONG, radius)
    if sample.shape != "cylinder":
        wide = radius * np.sqrt(1.0 - (2.0 * middle / height - 1.0) ** 2)
    rims = np.sqrt(np.linspace(0.0, 1.0, _ACROSS + 1))
    centre = np.sqrt(0.5 * (rims[1:] ** 2 + rims[:-1] ** 2))
    rho, z = (wide[:, None] * centre).ravel(), np.repeat(middle, _ACROSS)
    at = np.stack([rho, np.zeros_like(rho), z], axis=1)
    share = np.repeat(wide**2, _ACROSS)
    c = len(z)
    B = np.zeros((_ALONG, _ACROSS + 1, c))
    for k in range(_ALONG):
        for i in range(1, _ACROSS + 1):
            disc = ReferenceMagnet(
                "cylinder", Measured(height / _ALONG), Measured(1.0), diameter=Measured(2 * wide[k] * rims[i])
            )
            B[k, i] = axial_field_and_gradient(disc, at - np.array([0.0, 0.0, faces[k + 1]]))[0]
    # B = mu0 (H + M), and M is one within the part itself.
    T = np.asarray(np.eye(c) - np.diff(B, axis=1).reshape(c, c).T, float)
    share = np.asarray(share / share.sum(), float)
    return at, share, T


def _boxes(sample: Sample) -> tuple[Floats, Floats, Any]:
    """A quadrant of a block in equal boxes; each box's four mirror images act together."""
    assert sample.length is not None
    assert sample.width is not None
    a, b, height = sample.length.value, sample.width.value, sample.height.value
    n, nz = _ACROSS // 2, _ALONG
    size = np.array([0.5 * a / n, 0.5 * b / n, height / nz])
    index = np.stack(np.meshgrid(range(n), range(n), range(nz), indexing="ij"), axis=-1).reshape(-1, 3)
    box = ReferenceMagnet(
        "block", Measured(size[2]), Measured(1.0), length=Measured(size[0]), width=Measured(size[1])
    )
    # From box to box it is whole steps, so every distance is worked out once.
    steps = np.stack(np.meshgrid(range(2 * n), range(2 * n), range(nz), indexing="ij"), axis=-1)
    B = axial_field_and_gradient(box, steps * size - [0.0, 0.0, 0.5 * size[2]])[0]
    apart = np.abs(index[:, None, :] - index[None, :, :])
    mirrored = index[:, None, :] + index[None, :, :] + 1
    x, y, z = (
        np.stack([d, m]) for d, m in zip(*(np.moveaxis(k, -1, 0) for k in (apart, mirrored)), strict=True)
    )
    total = sum(B[x[i], y[j], z[0]] for i in (0, 1) for j in (0, 1))
    c = len(index)
    return (index + 0.5) * size, np.full(c, 1.0 / c), np.eye(c) - total
