"""The three ways from forces to a loop estimate: plain means, splines by branch, hysteron density."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from . import branch_inversion, hysterons
from .branch_inversion import BranchFit, fit_branch
from .hysterons import fit_density
from .local_field import LocalField
from .loop import Curve, Floats, LoopEstimate, Settled, branch_rows
from .points import Branch, Points

MEAN, SPLINE, DENSITY = "mean", "branch spline", "hysteron density"
BRANCHES: tuple[Branch, ...] = ("first", "descending", "ascending")

#: Points of a branch's curve. The spacing, about 3 kA/m on a small bench, is finer than a point's own
#: uncertainty makes sense of; the figures interpolate.
_CURVE_POINTS = 201

#: The first curve is left out of the density where its rows miss by so much more than the others: the
#: sample then had a past that no simple one describes.
_OUT_OF_TUNE = 4.0


def mean_estimate(points: Points, field: LocalField, reason: str) -> LoopEstimate:
    """Every point by the volume means of field and gradient alone."""
    return _assemble(points, field, {}, MEAN, f"Plain volume means: {reason}.", {}, Settled(MEAN, 1.0))


def spline_estimate(
    points: Points, field: LocalField, settled: Settled | None = None, own_field: float = 1.0
) -> LoopEstimate | None:
    """Every branch with rows enough by its own spline; None if neither returning branch has them.

    ``own_field`` by N: 1 if each part of the sample feels its own magnetisation, 0 if all feel the mean.
    """
    known = settled or Settled(SPLINE, own_field)
    fits: dict[Branch, tuple[np.ndarray, BranchFit]] = {}
    for branch in BRANCHES:
        rows = branch_rows(points, branch, field.H_mean)
        rows = rows[np.isfinite(points.force[rows])]
        if len(rows) >= branch_inversion.LEAST_ROWS:
            fit = fit_branch(
                field.rows(rows),
                points.force[rows],
                points.u_force[rows],
                known.own_field * field.N,
                smoothing=known.smoothing.get(branch),
                M=None if known.M is None else known.M[rows],
            )
            fits[branch] = (rows, fit)
    if "descending" not in fits and "ascending" not in fits:
        return None
    evidence = {f"reduced_chi_square_{b}": f.reduced_chi_square for b, (_, f) in fits.items()}
    evidence |= {f"smoothing_{b}": f.smoothing for b, (_, f) in fits.items()}
    evidence["held_out"] = _mean_square([(f.held_out, len(rows)) for rows, f in fits.values()])
    evidence["own_field"] = known.own_field
    chosen = Settled(SPLINE, known.own_field, {b: f.smoothing for b, (_, f) in fits.items()})
    return _assemble(points, field, fits, SPLINE, "", evidence, chosen)


def density_estimate(
    points: Points, field: LocalField, settled: Settled | None = None, own_field: float = 1.0
) -> LoopEstimate | None:
    """The whole run by one hysteron density; None if it has not the rows, or not both orientations."""
    names = np.array(points.branch)
    fitted = np.flatnonzero(points.used & np.isfinite(points.force) & np.isfinite(field.H_mean))
    descending = fitted[names[fitted] == "descending"]
    if (
        len(fitted) < hysterons.LEAST_ROWS
        or len(descending) < branch_inversion.LEAST_ROWS
        or len(np.unique(points.orientation[fitted])) < 2
        or not np.isfinite(field.H_mean).all()
    ):
        return None
    force, u_force = np.nan_to_num(points.force), points.u_force
    own = own_field * field.N
    if settled is None:
        fit = fit_density(field, force, u_force, fitted, own)
        first = names[fitted] == "first"
        if first.any() and not first.all():
            missed, others = (float(np.mean(fit.chi_square_rows[part])) for part in (first, ~first))
            if missed > _OUT_OF_TUNE * max(others, 1.0) and np.sum(~first) >= hysterons.LEAST_ROWS:
                fit = fit_density(field, force, u_force, fitted[~first], own, start=0.0)
    else:
        assert settled.fitted is not None
        fit = fit_density(
            field,
            force,
            u_force,
            settled.fitted,
            settled.own_field * field.N,
            smoothing=settled.smoothing[DENSITY],
            start=settled.start,
            free=settled.free,
            M=settled.M,
            bias=settled.bias,
        )
        own_field = settled.own_field
    M, answer = _plain(points, field)
    M[fit.fitted], answer[fit.fitted] = fit.M[fit.fitted], fit.M_map[fit.fitted]
    curves: dict[Branch, Curve] = {}
    for branch in BRANCHES[1:]:
        rows, own_rows = branch_rows(points, branch, field.H_mean), np.flatnonzero(names == branch)
        if len(rows) > 1 and len(own_rows) > 1:
            grid = np.linspace(field.H_mean[rows].min(), field.H_mean[rows].max(), _CURVE_POINTS)
            curves[branch] = fit.curve(branch, int(own_rows[1]), field.weights, grid)
        else:
            curves[branch] = _curve_through(branch, rows, field.H_mean, M, answer, field.N)
    evidence: dict[str, float] = {}
    for branch in BRANCHES:
        of = names[fit.fitted] == branch
        if of.any():
            left = max(1.0 - fit.degrees / len(fit.fitted), 1.0 / len(fit.fitted))
            evidence[f"reduced_chi_square_{branch}"] = float(np.mean(fit.chi_square_rows[of])) / left
    evidence |= {
        "smoothing": fit.smoothing,
        "held_out": fit.held_out,
        "own_field": own_field,
        "magnetised_before": fit.start,
        "steady_field": fit.bias,
    }
    chosen = Settled(
        DENSITY, own_field, {DENSITY: fit.smoothing}, fit.M, fit.start, fit.fitted, fit.free, fit.bias
    )
    return _estimate(points, field, M, answer, fit.residual, curves, DENSITY, "", evidence, chosen)


def _plain(points: Points, field: LocalField) -> tuple[Floats, Floats]:
    """M of every row by volume means, and its answer to the forces (n, n)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return points.force / field.pull_mean, np.diag(1.0 / field.pull_mean)


def _mean_square(parts: list[tuple[float, int]]) -> float:
    return sum(value * n for value, n in parts) / sum(n for _, n in parts)


def _assemble(
    points: Points,
    field: LocalField,
    fits: Mapping[Branch, tuple[np.ndarray, BranchFit]],
    method: str,
    why: str,
    evidence: dict[str, float],
    settled: Settled,
) -> LoopEstimate:
    """The estimate from the branches fitted; what no fit covers is filled with plain means."""
    n, names, H = len(points), np.array(points.branch), field.H_mean
    M, answer = _plain(points, field)
    residual = np.zeros(n)
    curves: dict[Branch, Curve] = {}
    for branch, (rows, fit) in fits.items():
        own = np.flatnonzero(names[rows] == branch)
        M[rows[own]] = fit.M[own]
        residual[rows[own]] = fit.residual[own]
        answer[rows[own]] = _spread_columns(fit.M_map[own], rows, n)
    for branch in BRANCHES[1:]:
        if branch in fits:
            rows, fit = fits[branch]
            grid = np.linspace(H[rows].min(), H[rows].max(), _CURVE_POINTS)
            curve = fit.curve(branch, grid)
            force_map = _spread_columns(curve.force_map, rows, n)
            curves[branch] = Curve(branch, grid, curve.M, field.N, force_map, curve.u_model)
        else:
            curves[branch] = _curve_through(branch, branch_rows(points, branch, H), H, M, answer, field.N)
    chosen = Settled(settled.method, settled.own_field, settled.smoothing, M)
    return _estimate(points, field, M, answer, residual, curves, method, why, evidence, chosen)


def _estimate(
    points: Points,
    field: LocalField,
    M: Floats,
    answer: Floats,
    residual: Floats,
    curves: Mapping[Branch, Curve],
    method: str,
    why: str,
    evidence: dict[str, float],
    settled: Settled,
) -> LoopEstimate:
    H, ascending = field.H_mean, curves["ascending"]
    return LoopEstimate(
        points,
        H,
        M,
        H - field.N * M,
        field.N,
        residual,
        answer,
        curves["descending"],
        ascending if len(ascending) else None,
        method,
        why,
        evidence,
        settled,
    )


def _spread_columns(answer: Floats, rows: np.ndarray, n: int) -> Floats:
    """An answer to some rows' forces as an answer to all n."""
    whole = np.zeros((len(answer), n))
    whole[:, rows] = answer
    return whole


def _curve_through(branch: Branch, rows: np.ndarray, H: Floats, M: Floats, answer: Floats, N: float) -> Curve:
    """A branch's curve straight through its points: shape-keeping cubic, linear between in its map."""
    rows = rows[np.isfinite(H[rows]) & np.isfinite(M[rows])]
    x, first = np.unique(H[rows], return_index=True)
    rows = rows[first]
    if len(x) < 2:
        return Curve(branch, x, M[rows], N, answer[rows], np.zeros(len(x)))
    from scipy.interpolate import PchipInterpolator

    grid = np.linspace(x[0], x[-1], _CURVE_POINTS)
    right = np.clip(np.searchsorted(x, grid), 1, len(x) - 1)
    part = (grid - x[right - 1]) / (x[right] - x[right - 1])
    force_map = (1 - part)[:, None] * answer[rows[right - 1]] + part[:, None] * answer[rows[right]]
    return Curve(branch, grid, PchipInterpolator(x, M[rows])(grid), N, force_map, np.zeros(len(grid)))
