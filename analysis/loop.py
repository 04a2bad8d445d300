"""The loop as found: magnetisation at every point, and the two branches as curves."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .points import Branch, Points

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Curve:
    """One branch on a grid of applied field; arrays of shape (m,), SI, in order of rising field.

    M is the material's: what a sample would show whose whole volume stood in the applied field
    ``H_applied``. ``force_map`` (m, n) is how M at fixed applied field answers to the n forces, with
    regularisation and active constraints as they were: M + force_map @ dF. ``u_model`` is the standard
    uncertainty the method itself brings in (smoothing, choice of method), A/m.
    """

    branch: Branch
    H_applied: Floats
    M: Floats
    N: float
    force_map: Floats
    u_model: Floats

    @property
    def H_internal(self) -> Floats:
        """H_applied - N M, A/m."""
        return self.H_applied - self.N * self.M

    def __len__(self) -> int:
        return len(self.H_applied)


@dataclass(frozen=True, eq=False)
class LoopEstimate:
    """Magnetisation from forces; per point arrays of shape (n,) in the order of ``points``, SI.

    ``H_applied`` is the field's volume mean times the orientation; M the sample's volume mean.
    Rows not used carry the plain `mean` result, so that they can be shown; nothing else depends on
    them. ``force_map_points`` (n, n): M + force_map_points @ dF. ``residual`` (N) is force minus fit.
    ``evidence`` holds named numbers of the choice of method, ``why`` says it in a sentence.
    """

    points: Points
    H_applied: Floats
    M: Floats
    H_internal: Floats
    N: float
    residual: Floats
    force_map_points: Floats
    descending: Curve
    ascending: Curve | None
    method_used: str
    why: str
    evidence: dict[str, float] = field(default_factory=dict)
    #: What a repeated inversion with slightly changed bench values holds fixed.
    settled: Settled | None = None

    @property
    def curves(self) -> tuple[Curve, ...]:
        """The branches there are."""
        both = (self.descending, self.ascending)
        return tuple(c for c in both if c is not None and len(c))


@dataclass(frozen=True, eq=False)
class Settled:
    """Choices an inversion made from the data, to be taken over by its repetitions.

    ``method`` as in ``LoopEstimate.method_used``; ``own_field`` the factor by N with which each part of
    the sample feels its own magnetisation (``branch_inversion``); ``smoothing`` by branch, or of the
    density; ``M`` (n,) where to begin. Of the density also the state the hysterons began in, the rows
    fitted, the columns free of the constraint and the steady field of what never turned (A/m).
    """

    method: str
    own_field: float
    smoothing: dict[str, float] = field(default_factory=dict)
    M: Floats | None = None
    start: float = 0.0
    fitted: NDArray[np.intp] | None = None
    free: NDArray[np.intp] | None = None
    bias: float = 0.0


def branch_rows(points: Points, branch: Branch, H_applied: Floats) -> NDArray[np.intp]:
    """Indices of the used rows that lie on a branch, the far tip included.

    The row of strongest field at which the next branch starts carries that branch's name and ends
    this one too; it counts here only if it really is the strongest of its direction.
    """
    names = np.array(points.branch)
    own = np.flatnonzero(names == branch)
    if not len(own):
        return own
    rows = own[points.used[own]]
    tip = own[-1] + 1
    if tip < len(points) and points.used[tip] and names[tip] != branch:
        same = own[points.orientation[own] == points.orientation[tip]]
        if len(same) and abs(H_applied[tip]) >= np.abs(H_applied[same]).max():
            rows = np.append(rows, tip)
    return rows
