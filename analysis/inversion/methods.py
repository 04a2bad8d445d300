"""The three ways from forces to a loop estimate: plain means, splines by branch, hysteron density."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from ..magnetostatics.bench_linearisation import LinearisedBench
from ..magnetostatics.demagnetising_field import LOCAL
from ..records.arrays import Floats, Indices
from ..records.points import Branch, Points
from .fit_records import BranchSpec, JointFit
from .joint_fit import JointFitting
from .loop import Curve, FixedChoices, LoopEstimate, Sensitivity, branch_rows
from .monotone_spline import MonotoneSpline, Order
from .preisach import Density, magnetised_before
from .settings import (
    BIAS_ROUNDS,
    BIASES,
    CURVE_POINTS,
    LEAST_ROWS_OF_DENSITY,
    LEAST_ROWS_OF_SPLINE,
    OUT_OF_TUNE,
)
from .uniform_loop import as_of_points, curve_of_density, curve_of_spline

MEAN, SPLINE, DENSITY = "mean", "branch spline", "hysteron density"
BRANCHES: tuple[Branch, ...] = ("first", "descending", "ascending")


def mean_estimate(model: LinearisedBench, reason: str) -> LoopEstimate:
    """Every point by the volume means of field and gradient alone, the bench as stated."""
    k, n = len(model.keys), len(model.points)
    plain = PointwiseEstimate(model, Sensitivity(np.zeros((k, n)), np.eye(k)), np.zeros(n))
    curves: dict[Branch, Curve] = {branch: plain.curve(branch) for branch in BRANCHES[1:]}
    return plain.estimate(
        curves, np.zeros(n), MEAN, f"Plain volume means: {reason}.", {}, FixedChoices(MEAN, LOCAL)
    )


def spline_fit(
    model: LinearisedBench,
    hypothesis: str = LOCAL,
    *,
    settled: FixedChoices | None = None,
    near: JointFit | None = None,
    enough: float = np.inf,
) -> JointFit | None:
    """Every branch with rows enough by its own spline; None if neither returning branch has them.

    ``hypothesis`` on the sample's own field; ``settled`` as in ``invert``, ``near`` and ``enough`` as in
    ``JointFitting``.
    """
    points, H = model.points, model.field.H_mean
    roles: dict[str, BranchSpec] = {}
    # What a smooth curve explains under one hypothesis is not explained by knees under another.
    orders = settled.orders if settled else _orders(near) if near and near.scale == 1.0 else {}
    for branch in BRANCHES:
        rows = branch_rows(points, branch, H)
        rows = rows[np.isfinite(points.force[rows])]
        if len(rows) >= LEAST_ROWS_OF_SPLINE:
            # The first curve may have begun anywhere: it has no say in the bench.
            roles[branch] = BranchSpec(
                rows, MonotoneSpline(orders.get(branch)), constrains_bench=branch != "first"
            )
    if "descending" not in roles and "ascending" not in roles:
        return None
    return JointFitting(
        model,
        roles,
        hypothesis if settled is None else settled.demagnetising_field,
        smoothing=None if settled is None else settled.smoothing,
        known_scale=None if settled is None else settled.scale,
        conditioned=settled is None or not settled.held,
        enough=enough,
        near=near,
    ).solve(None if settled is None else settled.z)


def spline_estimate(fit: JointFit) -> LoopEstimate:
    """The loop as a fit by splines has it."""
    found = PointwiseEstimate(fit.model, fit.of_inputs, fit.zero)
    curves: dict[Branch, Curve] = {}
    for branch in BRANCHES:
        if branch not in fit.parts:
            continue
        part = fit.parts[branch]
        # The row at which the next branch starts belongs to that one.
        own = np.array(fit.model.points.branch)[part.rows] == branch
        found.put(part.rows[own], part.residual[own], *as_of_points(fit, part, own))
        if branch != "first":
            curves[branch] = curve_of_spline(fit, branch, part, CURVE_POINTS)
    for branch in BRANCHES[1:]:
        if branch not in curves:
            curves[branch] = found.curve(branch)
    evidence = {f"reduced_chi_square_{b}": p.reduced_chi_square for b, p in fit.parts.items()}
    smoothing = {b: p.smoothing for b, p in fit.parts.items()}
    orders = _orders(fit)
    evidence |= {f"smoothing_{b}": weight for b, weight in smoothing.items()}
    evidence |= {f"order_{b}": sum(n * by.share for n, by in of.items()) for b, of in orders.items()}
    evidence |= _evidence(fit)
    chosen = FixedChoices(SPLINE, fit.own.name, smoothing, orders, fit.scale, fit.model.z)
    return found.estimate(curves, found.residual, SPLINE, "", evidence, chosen)


def _orders(fit: JointFit) -> dict[str, dict[int, Order]]:
    """Which derivatives each branch is smoothed through."""
    return {b: p.material.orders for b, p in fit.parts.items() if isinstance(p.material, MonotoneSpline)}


def density_fit(
    model: LinearisedBench,
    hypothesis: str = LOCAL,
    *,
    settled: FixedChoices | None = None,
    near: JointFit | None = None,
    enough: float = np.inf,
) -> JointFit | None:
    """The whole run by one hysteron density; None if it has not the rows, or not both orientations.

    As ``spline_fit``; what the sample was before the run is as in ``near``, where there is one.
    """
    points, H = model.points, model.field.H_mean
    names = np.array(points.branch)
    fitted = np.flatnonzero(points.used & np.isfinite(points.force) & np.isfinite(H))
    if (
        len(fitted) < LEAST_ROWS_OF_DENSITY
        or np.sum(names[fitted] == "descending") < LEAST_ROWS_OF_SPLINE
        or len(np.unique(points.orientation[fitted])) < 2
        or not np.isfinite(H).all()
    ):
        return None
    if settled is None:
        if near is None:
            fitted, start, steady = _past(model, fitted)
        else:
            before = near.parts[DENSITY]
            assert isinstance(before.material, Density)
            fitted, start = before.rows[before.counted], before.material.start
            steady = near.steady_field
        roles = _whole_run(points, fitted, start)
        return JointFitting(
            model, roles, hypothesis, conditioned=False, steady_field=steady, enough=enough, near=near
        ).solve()
    return JointFitting(
        model,
        _whole_run(points, fitted if settled.fitted is None else settled.fitted, settled.start, settled.free),
        settled.demagnetising_field,
        smoothing=settled.smoothing,
        known_scale=settled.scale,
        conditioned=False,
        steady_field=settled.bias,
    ).solve(settled.z)


def density_estimate(fit: JointFit) -> LoopEstimate:
    """The loop as a fit by a density has it."""
    part, points = fit.parts[DENSITY], fit.model.points
    assert isinstance(part.material, Density)
    start, fitted = part.material.start, part.rows[part.counted]
    names, H = np.array(points.branch), fit.model.stated_field.H_mean
    found = PointwiseEstimate(fit.model, fit.of_inputs, fit.zero)
    counted = np.zeros(len(points), bool)
    counted[fitted] = True
    found.put(fitted, part.residual, *as_of_points(fit, part, counted))
    curves: dict[Branch, Curve] = {}
    for branch in BRANCHES[1:]:
        rows, own = branch_rows(points, branch, H), np.flatnonzero(names == branch)
        if len(rows) > 1 and len(own) > 1:
            # Far from both tips, about which over a hole the mean field rises and falls again.
            middle = int(own[np.argmin(np.abs(H[own]))])
            curves[branch] = curve_of_density(fit, branch, part, rows, middle, CURVE_POINTS)
        else:
            curves[branch] = found.curve(branch)
    evidence: dict[str, float] = {}
    left = max(1.0 - float(part.hat.sum()) / len(fitted), 1.0 / len(fitted))
    for branch in BRANCHES:
        of = names[fitted] == branch
        if of.any():
            evidence[f"reduced_chi_square_{branch}"] = float(np.mean(part.chi_square_rows[of])) / left
    evidence |= {"smoothing": part.smoothing, "magnetised_before": start, "steady_field": fit.steady_field}
    evidence |= _evidence(fit)
    chosen = FixedChoices(
        DENSITY,
        fit.own.name,
        {DENSITY: part.smoothing},
        {},
        fit.scale,
        fit.model.z,
        start,
        fitted,
        part.free,
        fit.steady_field,
    )
    return found.estimate(curves, found.residual, DENSITY, "", evidence, chosen)


class Way(NamedTuple):
    """A way to fit a run, with a hypothesis and more, and what it then makes of the fit."""

    fit: Callable[..., JointFit | None]
    estimate: Callable[[JointFit], LoopEstimate]


WAYS = {SPLINE: Way(spline_fit, spline_estimate), DENSITY: Way(density_fit, density_estimate)}


def _whole_run(
    points: Points, fitted: Indices, start: float, free: Indices | None = None
) -> dict[str, BranchSpec]:
    return {DENSITY: BranchSpec(np.arange(len(points)), Density(start, free), fitted)}


def _past(model: LinearisedBench, fitted: Indices) -> tuple[Indices, float, float]:
    """What the sample was before the run: the rows to be fitted, how much of it was magnetised, and the
    steady field (A/m) of what never turns.

    In a sample magnetised before, what never turns lends the rest a steady demagnetising field against
    its own direction. It is sought by the held-out residuals. All this with the bench as stated and each
    part feeling its own magnetisation, which is one linear problem.
    """
    points, field = model.points, model.field
    start = magnetised_before(field, points.force, points.u_force, fitted)

    roles = _whole_run(points, fitted, start)

    def with_bias(part: float) -> JointFit:
        steady = part * strongest
        return JointFitting(
            model, roles, LOCAL, conditioned=False, follow_zero=False, steady_field=steady
        ).solve()

    with np.errstate(divide="ignore", invalid="ignore"):
        M = np.abs(points.force / field.pull_mean)[fitted].max()
    strongest = float(-np.sign(start) * field.N * M)
    first = np.array(points.branch)[fitted] == "first"
    # A coarse look, then halving the distance around the best: the minimum is sharp and not always single.
    tried = {part: with_bias(part) for part in (0.0, *(BIASES if start else ()))}
    step = BIASES[0]
    for _ in range(BIAS_ROUNDS if start else 0):
        best = min(tried, key=lambda part: tried[part].parts[DENSITY].held_out)
        step *= 0.5
        for part in (best - step, best + step):
            if part > 0.0 and part not in tried:
                tried[part] = with_bias(part)
    best = min(tried, key=lambda part: tried[part].parts[DENSITY].held_out)
    if first.any() and not first.all():
        rows = tried[best].parts[DENSITY].chi_square_rows
        missed, others = (float(np.mean(rows[part])) for part in (first, ~first))
        if missed > OUT_OF_TUNE * max(others, 1.0) and np.sum(~first) >= LEAST_ROWS_OF_DENSITY:
            return fitted[~first], 0.0, 0.0
    return fitted, start, best * strongest


def _evidence(fit: JointFit) -> dict[str, float]:
    informative = [p for p in fit.parts.values() if p.constrains_bench]
    n = sum(len(p.force) for p in informative)
    return {
        "misfit": sum(float(np.sum((p.residual / p.doubt) ** 2)) for p in informative)
        / max(sum(float(np.sum(1.0 - p.hat)) for p in informative), 1.0),
        "held_out": sum(p.held_out * len(p.force) for p in informative) / n,
        "objective": fit.objective,
        "degrees": fit.degrees,
    }


class PointwiseEstimate:
    """M and field at every row with their answers, by volume means until something better is ``put``."""

    def __init__(self, model: LinearisedBench, of_inputs: Sensitivity, zero: Floats) -> None:
        f, points = model.field, replace(model.points, force=model.points.force - zero)
        self.points = points
        n = len(points)
        self.model, self.of_inputs = model, of_inputs
        self.H, self.residual = f.H_mean, np.zeros(n)
        #: Change of the field by input (n, k).
        self.H_by_input = np.nan_to_num((model.H_change @ f.weights).T)
        with np.errstate(divide="ignore", invalid="ignore"):
            self.M = points.force / f.pull_mean
            by_pull = -(self.M / f.pull_mean)[:, None] * model.pull_change.sum(axis=2).T
            self.M_sensitivity = of_inputs.propagate(by_pull)
            self.M_sensitivity.d_force[np.arange(n), np.arange(n)] += 1.0 / f.pull_mean

    def put(self, rows: Indices, residual: Floats, M: Floats, answer: Sensitivity) -> None:
        """M of some rows and its answer."""
        self.M[rows], self.residual[rows] = M, residual
        self.M_sensitivity.d_force[rows], self.M_sensitivity.d_prior[rows] = answer

    def curve(self, branch: Branch) -> Curve:
        """A branch's curve straight through its points: shape-keeping cubic, linear between in its map."""
        H, M, N = self.H, self.M, self.model.field.N
        rows = branch_rows(self.model.points, branch, H)
        rows = rows[np.isfinite(H[rows]) & np.isfinite(M[rows])]
        x, first = np.unique(H[rows], return_index=True)
        rows = rows[first]
        pick = np.zeros((len(rows), len(H)))
        pick[np.arange(len(rows)), rows] = 1.0
        if len(x) < 2:
            return Curve(branch, x, M[rows], N, *self._answers(pick), *_nothing(len(x)))
        from scipy.interpolate import PchipInterpolator

        grid = np.linspace(x[0], x[-1], CURVE_POINTS)
        right = np.clip(np.searchsorted(x, grid), 1, len(x) - 1)
        share = (grid - x[right - 1]) / (x[right] - x[right - 1])
        between = (1 - share)[:, None] * pick[right - 1] + share[:, None] * pick[right]
        M_grid = PchipInterpolator(x, M[rows])(grid)
        return Curve(branch, grid, M_grid, N, *self._answers(between), *_nothing(len(grid)))

    def _answers(self, of_rows: Floats) -> tuple[Sensitivity, Sensitivity]:
        """Of field and M, of sums ``of_rows`` (m, n)."""
        return (
            self.of_inputs.propagate(of_rows @ self.H_by_input),
            _known(self.M_sensitivity).propagate(of_rows),
        )

    def estimate(
        self,
        curves: Mapping[Branch, Curve],
        residual: Floats,
        method: str,
        why: str,
        evidence: dict[str, float],
        settled: FixedChoices,
    ) -> LoopEstimate:
        """The whole."""
        N, ascending = self.model.field.N, curves["ascending"]
        return LoopEstimate(
            self.points,
            self.H,
            self.M,
            self.H - N * self.M,
            N,
            residual,
            self.model,
            self.of_inputs,
            self.M_sensitivity,
            curves["descending"],
            ascending if len(ascending) else None,
            method,
            why,
            evidence,
            settled,
        )


def _known(answer: Sensitivity) -> Sensitivity:
    """Rows without a reading answer to nothing."""
    return Sensitivity(*(np.where(np.isfinite(part), part, 0.0) for part in answer))


def _nothing(m: int) -> tuple[Floats, Floats]:
    """Nothing unseen, nothing undecided."""
    return np.zeros((m, 0)), np.zeros((m, 0))
