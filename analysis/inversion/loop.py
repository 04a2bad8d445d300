"""The loop as found: magnetisation at every point, and the two branches as curves."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..magnetostatics.bench_linearisation import LinearisedBench
from ..magnetostatics.demagnetising_field import WORDS
from ..records.arrays import Floats
from ..records.points import Branch, Points
from .monotone_spline import Order
from .settings import LITTLE


class Sensitivity(NamedTuple):
    """How m values answer, to first order, to errors: ``d_force`` (m, n) per newton of each row's force,
    ``d_prior`` (m, k) per standard uncertainty of each input of the bench as stated."""

    d_force: Floats
    d_prior: Floats

    def propagate(self, matrix: Floats) -> Sensitivity:
        """The answer of ``matrix`` (l, m) @ the values."""
        return Sensitivity(matrix @ self.d_force, matrix @ self.d_prior)


@dataclass(frozen=True)
class OtherRun:
    """What another run of the sample says of the hypotheses on its own field.

    ``source`` names the run, ``gives`` what it was taken for, ``used`` how many readings it rests on;
    ``misfit`` the mean square of its residuals in standard deviations; ``likelihood`` of its readings by the
    name of each hypothesis, the likeliest 1.
    """

    source: str
    gives: str
    used: int
    misfit: float
    likelihood: dict[str, float]

    @property
    def said(self) -> str:
        """What it says, in a sentence."""
        likeliest, other = sorted(self.likelihood, key=self.likelihood.__getitem__, reverse=True)
        odds = self.likelihood[likeliest] / max(self.likelihood[other], 1e-4)
        run = f"The {self.gives} run {self.source} of the same sample ({self.used} readings)"
        if odds < LITTLE:
            return f"{run} was counted, but tells the two ways its parts may feel one another not apart."
        words = WORDS[likeliest]
        return f"{run} was counted: by it, {odds:.2g} to 1, {words[0].lower()}{words[1:]}"


@dataclass(frozen=True, eq=False)
class Curve:
    """One branch on a grid of applied field; arrays of shape (m,), SI, in order of rising field.

    M is the material's: what a sample would show whose whole volume stood in the applied field
    ``H_applied``. The grid belongs to the branch's rows and moves with their field, so both answer to
    errors: ``H_sensitivity``, ``M_sensitivity``, with regularisation and active constraints as they were.
    What the readings leave open, A/m by one standard normal a column: ``unseen`` (m, r) of this branch
    between and beside its readings, ``undecided`` (m, h), the same for both branches, between the hypotheses
    on the sample's own field.
    """

    branch: Branch
    H_applied: Floats
    M: Floats
    N: float
    H_sensitivity: Sensitivity
    M_sensitivity: Sensitivity
    unseen: Floats
    undecided: Floats
    #: The farthest field that each part of the sample came to along the branch, as one of an evenly
    #: magnetised sample, A/m, and its share of the volume; NaN where the parts are not known apart.
    farthest: Floats = field(default_factory=lambda: np.full(1, np.nan))
    shares: Floats = field(default_factory=lambda: np.ones(1))

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
    them. ``residual`` (N) is force minus fit. ``bench`` is the bench as found: field, pull and N go with its
    ``z``; ``z_sensitivity`` and the others say how everything answers to errors. ``evidence`` holds named
    numbers of the choice of method, ``why`` says it in a sentence.
    """

    points: Points
    H_applied: Floats
    M: Floats
    H_internal: Floats
    N: float
    residual: Floats
    bench: LinearisedBench
    z_sensitivity: Sensitivity
    M_sensitivity: Sensitivity
    descending: Curve
    ascending: Curve | None
    method_used: str
    why: str
    evidence: dict[str, float] = field(default_factory=dict)
    #: What a repeated inversion with slightly changed forces holds fixed.
    settled: FixedChoices | None = None

    @property
    def curves(self) -> tuple[Curve, ...]:
        """The branches there are."""
        both = (self.descending, self.ascending)
        return tuple(c for c in both if c is not None and len(c))


@dataclass(frozen=True, eq=False)
class FixedChoices:
    """Choices an inversion made from the data, to be taken over by its repetitions.

    ``method`` as in ``LoopEstimate.method_used``; ``demagnetising_field`` the hypothesis on the sample's own
    field (``demagnetising_field``); ``smoothing`` by branch, or of the density, with the Birge ratio
    ``scale`` it was chosen at, and ``orders`` by branch and derivative (``MonotoneSpline``); ``z`` (k,) the
    bench found. Of the density also the state the hysterons began
    in, the rows fitted, the columns free of the constraint and the steady field of what never turned (A/m).
    ``held``: the bench stays at ``z``, whatever the readings say of it.
    """

    method: str
    demagnetising_field: str
    smoothing: dict[str, float] = field(default_factory=dict)
    orders: dict[str, dict[int, Order]] = field(default_factory=dict)
    scale: float = 1.0
    z: Floats | None = None
    start: float = 0.0
    fitted: NDArray[np.intp] | None = None
    free: NDArray[np.intp] | None = None
    bias: float = 0.0
    held: bool = False

    def for_other_runs(self) -> FixedChoices:
        """The same for other runs of the sample on this bench, whose rows are their own."""
        return replace(self, fitted=None, free=None, held=True)


def branch_rows(points: Points, branch: Branch, H_applied: Floats) -> NDArray[np.intp]:
    """Indices of the used rows that lie on a branch, the far tip included.

    The row of strongest field at which another branch starts carries that branch's name and ends
    this one too; it counts here only if it really is the strongest of its direction.
    """
    names = np.array(points.branch)
    own = np.flatnonzero(names == branch)
    if not len(own):
        return own
    rows = [own[points.used[own]]]
    for stretch in np.split(own, np.flatnonzero(np.diff(own) > 1) + 1):
        tip = stretch[-1] + 1
        if tip < len(points) and points.used[tip]:
            same = own[points.orientation[own] == points.orientation[tip]]
            if len(same) and abs(H_applied[tip]) >= np.abs(H_applied[same]).max():
                rows.append(np.array([tip]))
    return np.sort(np.concatenate(rows))
