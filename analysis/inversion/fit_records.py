"""The parts of a joint fit (``joint_fit``), a branch or the whole run, what its material must do, and what is
found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from ..magnetostatics.applied_field import NodeField
from ..magnetostatics.bench_linearisation import LinearisedBench
from ..magnetostatics.demagnetising_field import DemagnetisingField
from ..records.arrays import Floats, Indices
from .loop import Sensitivity
from .settings import AGREED, AGREED_ROUNDS, DENSE, MODEL_DOUBT, MODEL_SPREAD, MOST_ROUNDS, SHORTER


class Material(Protocol):
    """What a part of the sample does in its local field: linear in its coefficients (K,)."""

    def begin(
        self,
        H_local: Floats,
        pull: Floats,
        steepest: float = np.inf,
        felt: float = 0.0,
        M: Floats | None = None,
    ) -> None:
        """Make ready for rows whose nodes feel ``H_local`` (n, q), A/m, from which ``felt`` times their own M
        was taken off, count ``pull`` (n, q) and have about ``M`` (n, q), where that is known; M may rise with
        that field by ``steepest`` at most."""
        ...

    def design(self, H_local: Floats, weights: Floats, around: tuple[Floats, Floats] | None = None) -> Floats:
        """(n, K): sums over the nodes of ``weights`` (n, q) times M, by coefficient; ``around`` coefficients
        and slopes (``state``), with what the nodes felt at earlier rows going with their own M."""
        ...

    def turned(self, H_local: Floats, M: Floats) -> bool:
        """Take the turns of nodes that feel ``H_local`` (n, q), as worked out by ``M``: whether any is
        another than before."""
        ...

    def state(self, c: Floats, H_local: Floats) -> tuple[Floats, Floats]:
        """M (n, q) and its slope dM/du at each node in its own row's field."""
        ...

    def changes(self, c: Floats, H_local: Floats, slope: Floats, by: Floats) -> Floats:
        """Change of M (k, n, q) where what the nodes feel at all rows changes by each of ``by`` (k, n, q)."""
        ...

    def smoothing(self, X: Floats, y: Floats, bound: bool) -> float:
        """The smoothing weight that suits the readings ``y`` (n,), in standard deviations, like the design
        ``X`` (n, K); ``bound``: with regard to the bounds of the coefficients, if that matters."""
        ...

    def fit(self, X: Floats, y: Floats, weight: float) -> tuple[Floats, Any]:
        """Coefficients within their bounds, and which unknowns are ``free`` of them."""
        ...

    def could_be_free(self, free: Any) -> Any:
        """Which unknowns could have been free with other readings."""
        ...

    def answer(self, X: Floats, weight: float, free: Any) -> Floats:
        """(K, n): coefficients by readings, with bounds as they are."""
        ...

    def unseen(self, X: Floats, weight: float, free: Any) -> Floats:
        """(K, r): what the readings leave unknown of the coefficients, by one standard normal a column."""
        ...


@dataclass(eq=False)
class FittedBranch:
    """One branch's part of the fit, or the whole run's.

    ``rows`` (n,) of the run, of which ``counted`` (m,) are fitted, the others being history only. A part
    that ``constrains_bench`` has a say in the bench. ``M``, ``H_local`` (u) and ``slope`` (dM/du) are (n,
    q), at the nodes; ``force``, ``sigma``, ``doubt`` (with what any model of a sample is off by),
    ``spread`` (what the coefficients were found by),
    ``model`` and ``hat`` (m,); ``c`` (K,), of which the unknowns ``free`` are within their bounds;
    ``c_d_force`` (K, m), ``c_to_z`` (K, k) and ``c_to_zero`` (K, s) say how c answers.
    """

    rows: Indices
    counted: Indices
    material: Material
    force: Floats
    sigma: Floats
    constrains_bench: bool
    M: Floats
    smoothing: float = 0.0
    c: Floats | None = None
    free: Any = None
    H_local: Floats = field(default_factory=lambda: np.zeros(0))
    slope: Floats = field(default_factory=lambda: np.zeros(0))
    model: Floats = field(default_factory=lambda: np.zeros(0))
    hat: Floats = field(default_factory=lambda: np.zeros(0))
    #: Forces by coefficient (m, K) and by input (m, k + s), the bench's and the zero's, around where the fit
    #: stands.
    design: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    by_input: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    doubt: Floats = field(default_factory=lambda: np.zeros(0))
    spread: Floats = field(default_factory=lambda: np.zeros(0))
    c_d_force: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    c_to_z: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    c_to_zero: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def residual(self) -> Floats:
        """Force minus fit, N."""
        return self.force - self.model

    @property
    def chi_square_rows(self) -> Floats:
        """Squared residuals in standard deviations."""
        return (self.residual / self.sigma) ** 2

    @property
    def reduced_chi_square(self) -> float:
        """chi-square per degree of freedom left."""
        return float(self.chi_square_rows.sum() / max(len(self.force) - float(self.hat.sum()), 1.0))

    @property
    def held_out(self) -> float:
        """Mean square of the leave-one-out residuals in standard deviations, constraints frozen."""
        return float(np.mean(self.chi_square_rows / np.maximum(1.0 - self.hat, 0.05) ** 2))


@dataclass(frozen=True, eq=False)
class LeftOver:
    """What of changes of a part's forces its coefficients leave: 1 - design @ answer (m, m), which is as
    large as the readings squared and never written out. ``design`` (m, K), ``answer`` (K, m): c by force."""

    design: Floats
    answer: Floats

    def of(self, changes: Floats) -> Floats:
        """What is left of ``changes`` (m, ...) of the forces."""
        return changes - self.design @ (self.answer @ changes)

    def answered(self, weights: Floats) -> Floats:
        """How sums over what is left by ``weights`` (j, m) answer to the forces (j, m)."""
        return weights - (weights @ self.design) @ self.answer

    @property
    def hat(self) -> Floats:
        """How much of a change of each force its own fitted force follows (m,)."""
        return np.einsum("ij,ji->i", self.design, self.answer)


@dataclass(frozen=True)
class BranchSpec:
    """What of a run a part of the fit is: its rows, which of them count, and whether it has a say in the
    bench."""

    rows: Indices
    material: Material
    counted: Indices | None = None
    constrains_bench: bool = True


@dataclass(frozen=True, eq=False)
class JointFit:
    """The fitted parts over the bench found (``model``, at its ``z``).

    ``of_inputs`` and ``of_zero`` (k and s values): how the bench's inputs and the zero's answer to errors of
    the forces and of what is stated; ``zero`` (n,), N, what the zero adds to each force of the run; ``scale``
    the Birge ratio the weights were loosened by; ``objective`` as minimised but for the roughness, in the
    readings' own standard deviations; ``degrees`` of freedom there were; ``steady_field`` (A/m) as given.
    """

    model: LinearisedBench
    own: DemagnetisingField
    parts: dict[str, FittedBranch]
    of_inputs: Sensitivity
    of_zero: Sensitivity
    zero: Floats
    scale: float
    objective: float
    degrees: float
    steady_field: float

    @property
    def field(self) -> NodeField:
        """The field of the bench found."""
        return self.model.field

    def local_field_changes(self, part: FittedBranch) -> Floats:
        """What a part's nodes feel, by input (k, n, q), with M as it is."""
        return local_field_changes(self.own, self.model, part)

    def unseen(self, part: FittedBranch) -> Floats:
        """(K, r): what the readings leave unknown of a part's coefficients (``Material.unseen``)."""
        X = part.design / part.spread[:, None]
        return part.material.unseen(X, part.smoothing, part.free)

    def others(self) -> float:
        """The interaction field in an evenly magnetised body, by M."""
        return self.own.others(self.model.stated_field.N) * self.model.field.N / self.model.stated_field.N


def begun_M(before: FittedBranch | None, rows: Indices, force: Floats, f: NodeField) -> Floats:
    """M (n, q) to begin with at the ``rows``: of the fit ``before``, or by the field's means."""
    if before is not None and np.array_equal(before.rows, rows):
        return before.M
    if before is not None:
        return np.stack([np.interp(rows, before.rows, M) for M in before.M.T], axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        plain = np.nan_to_num(force / f.pull_mean)
    return np.repeat(plain[:, None], len(f.weights), axis=1)


def interaction_field(
    own: DemagnetisingField, model: LinearisedBench, M: Floats, z: Floats | None = None
) -> Floats:
    """The interaction field at every node by the others' ``M`` (both (n, q), A/m), the bench at ``z``."""
    N = model.field.N if z is None else model.field.N + float((z - model.z) @ model.N_change)
    return own.interaction_field(M) * (N / model.stated_field.N)


def local_field_changes(
    own: DemagnetisingField,
    model: LinearisedBench,
    p: FittedBranch,
    z: Floats | None = None,
    inputs: Indices | None = None,
) -> Floats:
    """What a part's nodes feel, by input (k, n, q), with M as it is, the bench at ``z``; of the ``inputs``
    alone, if given."""
    some = np.arange(len(model.keys)) if inputs is None else inputs
    others = interaction_field(own, model, p.M, z)
    by_N = (model.N_change[some] / model.field.N)[:, None, None] * others
    return model.H_change[np.ix_(some, p.rows)] - by_N


def agreed(
    own: DemagnetisingField,
    M: Floats,
    felt: Callable[[Floats], Floats],
    material: Material,
    c: Floats,
) -> tuple[Floats, Floats, Floats]:
    """M at the nodes (n, q) that follows from the field felt with it, that field and dM/du; begun from ``M``.

    ``felt`` makes the field of M, in which the ``material`` has the coefficients ``c``. The turns are those
    of the field at first, and looked at again once M follows from it. Newton's method; the steps of a row are
    shorter after one that has made it worse, or, where hysterons feel their own part, go by what M did on the
    way of one that went too far: there branches are as steep as the material.
    """
    H_local = felt(M)
    material.turned(H_local, M)
    value, slope = material.state(c, H_local)
    if not own.whole:
        return value, H_local, slope
    share, before = np.ones((len(M), 1)), np.inf
    by, last = slope, (H_local, value, value - M)
    for _ in range(AGREED_ROUNDS if not own.felt else MOST_ROUNDS):
        off = value - M
        size = np.abs(off).max(axis=1, keepdims=True)
        if size.max() < AGREED * np.abs(M).max():
            if not material.turned(H_local, M):
                break
            value, slope = material.state(c, H_local)
            last = H_local, value, value - M
            continue
        if own.felt:
            by, last = _on_the_way(slope, H_local, value, off, *last), (H_local, value, off)
        else:
            by, share = slope, np.where(size < before, np.minimum(2.0 * share, 1.0), SHORTER * share)
        M, before = M + share * own.answered(by, off), size
        H_local = felt(M)
        value, slope = material.state(c, H_local)
    return M, H_local, slope


def _on_the_way(
    slope: Floats, u: Floats, M: Floats, off: Floats, u_before: Floats, M_before: Floats, off_before: Floats
) -> Floats:
    """The ``slope`` (n, q), or where the step to ``u``, at which M is ``off``, went too far what M did on the
    way: a steep branch has bends, between which Newton's steps would go to and fro."""
    far = (off * off_before < 0.0) & (u != u_before)
    way = np.where(far, u - u_before, 1.0)
    return np.where(far, np.maximum((M - M_before) / way, 0.0), slope)


def model_doubt(p: FittedBranch, field: NodeField) -> Floats:
    """What any model of the sample is off by at a part's rows (m,), N, in the ``field`` as stated."""
    f = field.rows(p.rows[p.counted])
    return MODEL_DOUBT * f.pulled(p.force, p.M[p.counted] @ f.weights)


def whitened(X: Floats, y: Floats, spread: Floats, off: Floats) -> tuple[Floats, Floats]:
    """``X`` (m, K) and ``y`` (m,), of noise of their own ``spread`` (m,) and of one in common, ``off`` (m, s)
    times standard normals by the spread, as values of noise 1 each."""
    if len(y) <= DENSE:
        white = np.linalg.inv(np.linalg.cholesky(np.eye(len(y)) + off @ off.T)) / spread
        return white @ X, white @ y
    U, S, _ = np.linalg.svd(off, full_matrices=False)
    less, X, y = U * (1.0 - 1.0 / np.sqrt(1.0 + S**2)), X / spread[:, None], y / spread
    return X - less @ (U.T @ X), y - less @ (U.T @ y)


def weighing_spread(force: Floats, u_force: Floats) -> Floats:
    """Standard deviation a fit may expect of each force, N: its reading's and the bench's repeatability."""
    own = np.where(np.isfinite(u_force), u_force, 0.0)
    least = 1e-6 * np.abs(force).max() if len(force) else 0.0
    return np.maximum(np.hypot(own, MODEL_SPREAD * force), max(least, 1e-12))
