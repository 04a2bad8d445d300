"""Loop and bench values in one fit: what the forces say of the sample, and of the bench that weighed it.

A bench value wrong within its stated uncertainty bends the forces in a way no loop can, and a loop fitted
without regard to that is wrong by far more than the value's own share: 1.5 % of remanence can move HcJ by
a tenth. So the bench's inputs are unknowns too, each with what the file states as one more observation
(least squares with prior information; the posterior of a linear-Gaussian problem, cf. JCGM 101:2008, 6.1
and JCGM 102:2011). Minimised is

    sum ((F - F_model(c, z)) / sigma)^2 + smoothing * roughness(c) + z^T C^-1 z

over the coefficients c of the sample's parts and, but for the roughness, over the inputs z, in standard
uncertainties from what is stated. Where the zero of the balance is followed through the run (``zeros``), what
it may be off by is among the inputs: as many as it takes, each with a standard normal distribution. (The
roughness has no say in z: it falls with M and with the loop's width, and would make every reference magnet
stronger than it is.) Inputs the forces say nothing of stay as stated.

M at node j follows from M_j = f(u_j), u_j = H_j - (D M)_j (``demagnetising_field``); the problem is solved by
Gauss-Newton steps. Every answer to errors (of forces, of what is stated) comes from the last step's linear
problem, with the smoothing and the active constraints as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass
from functools import partial
from operator import attrgetter
from typing import Any

import numpy as np

from ..magnetostatics.applied_field import NodeField
from ..magnetostatics.bench_linearisation import ECCENTRICITY, MAY_BE_ZERO, LinearisedBench
from ..magnetostatics.demagnetising_field import demagnetising_field
from ..records.arrays import Bools, Floats
from ..records.points import ZeroModes
from .fit_records import (
    BranchSpec,
    FittedBranch,
    JointFit,
    LeftOver,
    agreed,
    begun_M,
    interaction_field,
    local_field_changes,
    model_doubt,
    weighing_spread,
    whitened,
)
from .loop import Sensitivity
from .mirrored_branches import MirroredRows
from .settings import (
    ALIKE,
    CLAIM,
    FARTHEST,
    HOPELESS,
    LONGEST_STEP,
    MOST_BENCHES,
    MOST_CHOICES,
    MOST_STEPS,
    NEAR,
    STILL,
    STILL_Z,
    TELLING,
    WORSE,
)

_of_readings = attrgetter("sigma")  # standard deviations, N


@dataclass(eq=False)
class JointFitting:
    """How to fit parts by name under one ``hypothesis`` on the sample's own field.

    ``smoothing`` by part with its ``known_scale`` (``JointFit``), where known from before. Not
    ``conditioned`` the bench stays as it is begun; zero and turner's eccentricity are sought, if
    ``follow_zero``. ``steady_field`` (A/m) is felt besides. A fit whose objective, after a first round, is
    above ``enough`` is left as it then is. ``near``, under another hypothesis or to some of the rows, is
    begun from. ``felt``: which part of what each part does to itself its hysterons feel.
    """

    stated: LinearisedBench
    roles: Mapping[str, BranchSpec]
    hypothesis: str
    _: KW_ONLY
    smoothing: Mapping[str, float] | None = None
    known_scale: float | None = None
    conditioned: bool = True
    follow_zero: bool = True
    steady_field: float = 0.0
    enough: float = np.inf
    near: JointFit | None = None
    felt: float = 0.0

    def __post_init__(self) -> None:
        model = self.stated
        #: The inputs of the bench come first (k), then those of the zero.
        self.zero = model.points.zero or ZeroModes(np.zeros((len(model.points), 0)), np.zeros(0))
        self.k, s = len(model.keys), len(self.zero.begun)
        prior = np.eye(self.k + s)
        prior[: self.k, : self.k] = model.prior
        self.precision, self.root = np.linalg.inv(prior), np.linalg.cholesky(prior)
        reach = [
            FARTHEST if key in MAY_BE_ZERO else min(FARTHEST, 0.5 * abs(value.value) / value.u)
            for key, value in zip(model.keys, model.stated, strict=True)
        ]
        self.reach = np.array(reach + [FARTHEST] * s)
        #: Which inputs mirrored rows differ by, and which are sought: no material bends to those.
        self.by_side = np.array([key == ECCENTRICITY for key in model.keys] + [True] * s)
        self.sought = self.by_side & self.follow_zero
        self.sought[: self.k] |= self.conditioned
        self.scale, self.chosen_at, f = self.known_scale or 1.0, 0.0, model.stated_field
        self.own = demagnetising_field(self.hypothesis, model.bench.sample, f.nodes, f.weights, self.felt)
        self.parts: dict[str, FittedBranch] = {}
        self.mirrored: MirroredRows | None = None

    def solve(self, z: Floats | None = None) -> JointFit:
        """The parts that tell, with the bench, from ``z`` (k,) on, or as stated; then the others on the bench
        found."""
        z = np.zeros(self.k) if z is None else z
        silent = {name: role for name, role in self.roles.items() if not role.constrains_bench}
        self.roles = {name: role for name, role in self.roles.items() if role.constrains_bench}
        model, chi, scale, alone = self.stated.moved(z), np.inf, self.scale, not self._seeks_bench
        z = np.append(z, self.zero.begun)
        for _ in range(MOST_BENCHES):
            z = self._settle(model, z)
            chi, left = self._objective(z, _of_readings), self._left_over()
            scale = self.known_scale or (float(np.sqrt(chi / left)) if chi > CLAIM * left else 1.0)
            steady = alone or abs(scale / self.scale - 1.0) < ALIKE
            if (np.abs(z[: self.k] - model.z).max(initial=0.0) < NEAR and steady) or chi > self.enough:
                break
            model, self.scale = self.stated.moved(z[: self.k]), self.scale if alone else scale
        if alone:
            # Readings that count less beside nothing stated speak as before, or the ratio grew on and on.
            for p in self.parts.values():
                p.smoothing *= (self.scale / scale) ** 2
            self.scale = scale
        if silent and chi <= self.enough:
            usable, self.parts, self.roles, sought = self.parts, {}, silent, self.sought
            self.sought = np.zeros_like(sought)
            mirrored, self.mirrored = self.mirrored, None
            self._settle(model, z)
            self.parts, self.sought, self.mirrored = usable | self.parts, sought, mirrored
        return self._finished(model, z)

    def _settle(self, model: LinearisedBench, z: Floats) -> Floats:
        """Gauss-Newton steps with the field linear around ``model``; the inputs found."""
        old, longest, latest = np.inf, 1.0, np.zeros_like(z)
        # On a bench worked out again the smoothing stays, unless the readings have come to count otherwise.
        choosing, self.chosen_at = self.chosen_at != self.scale or not self.sought[: self.k].any(), self.scale
        self._begin(model)
        for step in range(MOST_STEPS):
            self._linearise(model, z, self.sought)
            if choosing and step < MOST_CHOICES:
                self._choose(z, step)
            wanted = self._inputs(z) if step and self.sought.any() else z
            before = [(p.c, p.M, p.free) for p in self.parts.values()]
            coefficients = self._coefficients(wanted, z)
            reference = np.inf
            if step:
                reference = max(self._objective(z, self._told), self._foreseen(coefficients, wanted, z))
            # Steps to and fro, between two sets of bounds that hold, are made shorter and shorter.
            back = step > MOST_CHOICES and (wanted - z) @ latest < -0.5 * (latest @ latest)
            length = longest = 0.5 * longest if back else longest
            while True:
                at = z + length * (wanted - z)
                for p, (c, M, _), target in zip(self.parts.values(), before, coefficients, strict=True):
                    p.c, p.M = target if c is None else c + length * (target - c), M
                self._follow(model, at)
                new = self._objective(at, self._told)
                if new <= WORSE * (1.0 + reference) or length < 0.2:
                    break
                length *= 0.5
            if step > MOST_CHOICES and new > WORSE * (1.0 + reference):  # no step helps any more
                for p, held in zip(self.parts.values(), before, strict=True):
                    p.c, p.M, p.free = held
                self._follow(model, z)
                break
            latest, z = at - z, at
            moved = float(np.abs(latest).max(initial=0.0))
            if not self.sought.any() and not self.own.whole:
                break  # one linear problem
            if step >= HOPELESS and self._objective(at, _of_readings) > 4.0 * self.enough:
                break
            if step >= MOST_CHOICES and abs(new - old) < STILL * (1.0 + new) and moved < STILL_Z:
                break
            old = new
        return z

    def _begin(self, model: LinearisedBench) -> None:
        """The parts over what their nodes feel, M as found before or by plain means."""
        old, self.parts = self.parts, {}
        points, begun = model.points, (self.near.parts if self.near else {}) | old
        for name, role in self.roles.items():
            f = model.field.rows(role.rows)
            M = begun_M(begun.get(name), role.rows, points.force[role.rows], f)
            H_local = f.H - interaction_field(self.own, model, M) + self.steady_field
            role.material.begin(H_local, f.pull, 1.0 / model.field.N, self.own.felt, M)
            role.material.turned(H_local, M)
            counted = np.arange(len(role.rows)) if role.counted is None else role.counted
            rows = role.rows[counted]
            sigma = weighing_spread(points.force[rows], points.u_force[rows])
            self.parts[name] = p = FittedBranch(
                role.rows, counted, role.material, points.force[rows], sigma, role.constrains_bench, M
            )
            p.doubt = np.hypot(sigma, model_doubt(p, self.stated.field))
            p.smoothing = old[name].smoothing if name in old else p.smoothing
        turner = model.bench.gap.turner
        known = turner is None or turner.eccentricity.u or not turner.eccentricity.value
        if known and (self.sought & self.by_side).any() and {"descending", "ascending"} <= self.parts.keys():
            self.mirrored = MirroredRows.of(model.points, self.parts["descending"], self.parts["ascending"])

    def _local_field(self, model: LinearisedBench, f: NodeField, z: Floats, M: Floats) -> Floats:
        return f.H - interaction_field(self.own, model, M, z[: self.k]) + self.steady_field

    def _zero(self, p: FittedBranch, z: Floats) -> Floats:
        """What the zero adds to a part's forces (m,), N, beyond what was taken off."""
        return self.zero.root[p.rows[p.counted]] @ (z[self.k :] - self.zero.begun)

    def _of_side(self, p: FittedBranch) -> Floats:
        """A part's forces (m,), N, as they were before a zero was taken off, on the axis of the turner."""
        stated = np.array([s.value / s.u for s in self.stated.stated]) * self.by_side[: self.k]
        begun = self.zero.root[p.rows[p.counted]] @ self.zero.begun
        return p.force + begun - p.by_input[:, : self.k] @ stated

    def _follow(self, model: LinearisedBench, z: Floats) -> None:
        """M at the nodes and the forces for the present coefficients."""
        field = model.at(z[: self.k])
        for p in self.parts.values():
            assert p.c is not None
            f = field.rows(p.rows)
            felt = partial(self._local_field, model, f, z)
            p.M, p.H_local, p.slope = agreed(self.own, p.M, felt, p.material, p.c)
            p.model = (f.pull * p.M).sum(axis=1)[p.counted] + self._zero(p, z)
            p.doubt = np.hypot(p.sigma, model_doubt(p, self.stated.field))

    def _linearise(self, model: LinearisedBench, z: Floats, inputs: Bools) -> None:
        """Forces by coefficient (design) and by those of the ``inputs`` (k + s), around where the fit
        stands; all others stay as they are."""
        field, of_bench = model.at(z[: self.k]), np.flatnonzero(inputs[: self.k])
        for p in self.parts.values():
            f = field.rows(p.rows)
            p.by_input = np.zeros((len(p.force), len(z)))
            p.by_input[:, self.k :] = self.zero.root[p.rows[p.counted]]
            if p.c is None:
                # Nothing is known of the slopes yet: as if no part answered to any other.
                p.H_local = self._local_field(model, f, z, p.M)
                p.design = p.material.design(p.H_local, f.pull)[p.counted]
                p.model = self._zero(p, z)
                continue
            v = self.own.undone(p.slope, f.pull)
            p.design = p.material.design(p.H_local, v, (p.c, p.slope))[p.counted]
            # M by input, before the parts have answered to one another.
            by = local_field_changes(self.own, model, p, z[: self.k], of_bench)
            by_input = np.einsum("nq,knq->nk", v, p.material.changes(p.c, p.H_local, p.slope, by))
            by_input += np.einsum("nq,knq->nk", p.M, model.pull_change[np.ix_(of_bench, p.rows)])
            p.by_input[:, of_bench] = by_input[p.counted]

    # -- the linear problem, readings in standard deviations

    def _targets(self, p: FittedBranch, z: Floats) -> Floats:
        """What design @ c + by_input @ z should be."""
        return p.force - p.model + (0.0 if p.c is None else p.design @ p.c) + p.by_input @ z

    def _choose(self, z: Floats, step: int) -> None:
        """The smoothing of each part, the likeliest."""
        rough = not any(p.smoothing for p in self.parts.values()) or step < MOST_CHOICES // 2
        for name, p in self.parts.items():
            if self.smoothing and name in self.smoothing:
                p.smoothing = self.smoothing[name]
                continue
            spread, y = self._spread(p), self._targets(p, z)
            if rough and p.constrains_bench and self.sought.any():
                # What the bench may be off by counts as noise that the rows have in common.
                off = (p.by_input @ self.root)[:, self.sought] / spread[:, None]
            else:
                y, off = y - p.by_input @ z, np.zeros((len(y), 0))
            # A steep sample far from where it must be is led astray by too little smoothing.
            p.smoothing = p.material.smoothing(*whitened(p.design, y, spread, off), bound=not rough)

    @property
    def _seeks_bench(self) -> bool:
        """Whether more is sought than what mirrored rows differ by."""
        return bool((self.sought & ~self.by_side).any())

    def _spread(self, p: FittedBranch) -> Floats:
        """What the coefficients expect of each force (m,), N; on a bench that is sought too, at most what any
        model may be off by: a smoother curve would miss more, and the ratio grow on and on."""
        spread = p.sigma * self.scale
        return np.minimum(spread, p.doubt) if self._seeks_bench else spread

    def _left(self, p: FittedBranch, free: Any = None) -> LeftOver:
        """What a part's coefficients leave of changes of its forces; ``free`` of their bounds as they are."""
        spread, free = self._spread(p), p.free if free is None else free
        answer = p.material.answer(p.design / spread[:, None], p.smoothing, free) / spread
        return LeftOver(p.design, answer)

    def _told(self, p: FittedBranch) -> Floats:
        """By what a part's misfits count against the bench, N."""
        few = len(p.force) / TELLING if self._seeks_bench else 1.0
        return p.doubt if few <= 1.0 else np.hypot(p.sigma, model_doubt(p, self.stated.field) * few**0.5)

    def _inputs(self, z: Floats) -> Floats:
        """The inputs that fit best once every part's coefficients have done their best."""
        on = self.sought
        normal, rhs = self.precision[np.ix_(on, on)], np.zeros(int(on.sum()))
        for p in self.parts.values():
            if p.constrains_bench:
                left, told = self._left(p), self._told(p)
                J = left.of(p.by_input[:, on]) / told[:, None]
                normal += J.T @ J
                rhs += J.T @ (left.of(self._targets(p, z) - p.by_input[:, ~on] @ z[~on]) / told)
        if self.mirrored is not None:
            J, white = self._by_mirrored(self.mirrored)
            normal += J.T @ J
            rhs += J.T @ white @ self.mirrored.differences(self._of_side)
        step = np.clip(np.linalg.solve(normal, rhs), -self.reach[on], self.reach[on]) - z[on]
        wanted = z.copy()
        wanted[on] += step * min(1.0, LONGEST_STEP / max(float(np.abs(step).max(initial=0.0)), 1e-9))
        return wanted

    def _by_mirrored(self, mirrored: MirroredRows) -> tuple[Floats, Floats]:
        """Differences of mirrored rows by the inputs sought, whitened (m, open), and what whitens them."""
        white = mirrored.whitening()
        return white @ (mirrored.differences(lambda p: p.by_input) * self.by_side)[:, self.sought], white

    def _coefficients(self, wanted: Floats, z: Floats) -> list[Floats]:
        found = []
        for p in self.parts.values():
            spread = self._spread(p)
            y = (self._targets(p, z) - p.by_input @ wanted) / spread
            c, p.free = p.material.fit(p.design / spread[:, None], y, p.smoothing)
            found.append(c)
        return found

    def _objective(self, z: Floats, spread: Callable[[FittedBranch], Floats]) -> float:
        """What is minimised but for the roughness, misfits counted by each part's ``spread`` (N)."""
        of_rows = sum(
            float(np.sum((p.residual / spread(p)) ** 2)) for p in self.parts.values() if p.constrains_bench
        )
        return float(z @ self.precision @ z) + of_rows

    def _foreseen(self, coefficients: list[Floats], wanted: Floats, z: Floats) -> float:
        """What the objective becomes at the inputs ``wanted``, were it all linear."""
        value = float(wanted @ self.precision @ wanted)
        for p, c in zip(self.parts.values(), coefficients, strict=True):
            off = (self._targets(p, z) - p.design @ c - p.by_input @ wanted) / self._told(p)
            value += float(off @ off) * p.constrains_bench
        return value

    def _left_over(self) -> float:
        """Degrees of freedom that the coefficients leave, at least one."""
        left = (1.0 - self._left(p).hat for p in self.parts.values() if p.constrains_bench)
        return max(sum(float(np.sum(x)) for x in left), 1.0)

    def _finished(self, model: LinearisedBench, z: Floats) -> JointFit:
        """Every answer, from the linear problem at the end."""
        self._linearise(model, z, np.ones_like(self.sought))
        k, on, normal = self.k, self.sought, self.precision.copy()
        seen: dict[str, LeftOver] = {}
        for name, p in self.parts.items():
            seen[name], p.spread = (left := self._left(p)), self._spread(p)
            p.c_d_force, p.hat = left.answer, left.hat
            p.c_to_z, p.c_to_zero = np.split(-p.c_d_force @ p.by_input, [k], axis=1)
            if p.constrains_bench:
                J = left.of(p.by_input) / self._told(p)[:, None]
                normal += J.T @ J
        if self.mirrored is not None:
            J, white = self._by_mirrored(self.mirrored)
            normal[np.ix_(on, on)] += J.T @ J
        # What is not sought stays as stated, and what is sought answers to that.
        inverse = np.linalg.inv(normal[np.ix_(on, on)])
        d_prior = np.eye(len(z))
        d_prior[np.ix_(on, on)] = inverse @ self.precision[np.ix_(on, on)]
        d_prior[np.ix_(on, ~on)] = -inverse @ normal[np.ix_(on, ~on)]
        z_d_force, degrees = np.zeros((len(model.points), len(z))), 0.0
        for name, p in self.parts.items():
            if not p.constrains_bench:
                continue
            by_input = seen[name].of(p.by_input[:, on])
            by_force = seen[name].answered(inverse @ (by_input / self._told(p)[:, None] ** 2).T)
            p.hat += (by_bench := np.einsum("ij,ji->i", by_input, by_force))
            degrees += float(np.sum(self._left(p, p.material.could_be_free(p.free)).hat + by_bench))
            # A row at which two branches meet is in both.
            np.add.at(z_d_force, np.ix_(p.rows[p.counted], on), by_force.T)
        if self.mirrored is not None:
            J, white = self._by_mirrored(self.mirrored)
            z_d_force[:, on] += self.mirrored.by_row(inverse @ J.T @ white, len(z_d_force)).T
        return JointFit(
            self.stated.moved(z[:k]) if np.any(z[:k] != model.z) else model,
            self.own,
            self.parts,
            Sensitivity(z_d_force[:, :k].T, d_prior[:k, :k]),
            Sensitivity(z_d_force[:, k:].T, d_prior[k:, :k]),
            self.zero.root @ (z[k:] - self.zero.begun),
            self.scale,
            self._objective(z, _of_readings),
            degrees,
            self.steady_field,
        )
