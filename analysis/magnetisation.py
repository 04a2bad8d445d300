"""From forces to magnetisation: the entry to both methods."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from .bench import Bench
from .branch_inversion import LEAST_ROWS, BranchFit, fit_branch
from .local_field import LocalField, local_field
from .loop import Curve, Floats, LoopEstimate, Settled, branch_rows
from .points import Branch, Points

Method = Literal["finite", "mean"]
BRANCHES: tuple[Branch, ...] = ("first", "descending", "ascending")

#: Points of a branch's curve. The spacing, about 3 kA/m on a small bench, is finer than a point's own
#: uncertainty makes sense of; the figures interpolate.
_CURVE_POINTS = 201


def invert(
    points: Points,
    bench: Bench,
    method: Method = "finite",
    *,
    forced: str | None = None,
    settled: Settled | None = None,
) -> LoopEstimate:
    """Magnetisation at every point and along both branches.

    ``mean``: M = F / (V <dBz/dz>), averages over the sample's volume. ``finite``: the field's spread over
    the sample is undone, branch by branch where M is one function of the field there
    (``branch_inversion``). ``forced`` names the way ("mean", "branch spline", "hysteron density") instead
    of leaving it to the evidence; ``settled`` takes over all choices of an earlier estimate, for quick
    repetition with slightly changed bench values. Raises ValueError for an unknown name.
    """
    if method not in ("finite", "mean"):
        raise ValueError(f"method {method!r} is not known; use finite or mean")
    field = local_field(points, bench)
    if method == "mean" or forced == "mean" or (settled is not None and settled.method == "mean"):
        return mean_estimate(points, field, "asked for")
    return spline_estimate(points, field, settled)


def mean_estimate(points: Points, field: LocalField, reason: str) -> LoopEstimate:
    """Every point by the volume means of field and gradient alone."""
    return assemble(points, field, {}, "mean", f"Plain volume means: {reason}.", {}, Settled("mean", field.N))


def spline_estimate(points: Points, field: LocalField, settled: Settled | None = None) -> LoopEstimate:
    """Every branch with rows enough by its own spline."""
    own_field = field.N if settled is None else settled.own_field
    known = {} if settled is None else settled.smoothing
    fits: dict[Branch, tuple[np.ndarray, BranchFit]] = {}
    for branch in BRANCHES:
        rows = branch_rows(points, branch, field.H_mean)
        if len(rows) >= LEAST_ROWS:
            fit = fit_branch(
                field.rows(rows), points.force[rows], points.u_force[rows], own_field, known.get(branch)
            )
            fits[branch] = (rows, fit)
    if "descending" not in fits and "ascending" not in fits:
        return mean_estimate(points, field, f"fewer than {LEAST_ROWS} usable points on a branch")
    evidence = {f"reduced_chi_square_{b}": f.reduced_chi_square for b, (_, f) in fits.items()}
    evidence |= {f"smoothing_{b}": f.smoothing for b, (_, f) in fits.items()}
    chosen = Settled("branch spline", own_field, {b: f.smoothing for b, (_, f) in fits.items()})
    return assemble(
        points, field, fits, "branch spline", "Each branch is one function of the field.", evidence, chosen
    )


def assemble(
    points: Points,
    field: LocalField,
    fits: Mapping[Branch, tuple[np.ndarray, BranchFit]],
    method: str,
    why: str,
    evidence: dict[str, float],
    settled: Settled,
) -> LoopEstimate:
    """The estimate from the branches fitted; what no fit covers is filled with plain means."""
    n = len(points)
    H, pull = field.H_mean, field.pull_mean
    with np.errstate(divide="ignore", invalid="ignore"):
        M, answer = points.force / pull, np.diag(1.0 / pull)
    residual = np.zeros(n)
    curves: dict[Branch, Curve] = {}
    for branch in BRANCHES:
        if branch in fits:
            rows, fit = fits[branch]
            own = np.flatnonzero(np.array(points.branch)[rows] == branch)
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
    ascending = curves["ascending"]
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
