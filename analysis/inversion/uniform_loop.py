"""What a fit says of the sample: M at the run's rows, and the branches of a sample in a uniform field.

All with their answers to errors of the forces and of what the bench file states. A uniform sample whose
whole volume stands in the applied field H has the local field u = H - (N - own) M.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..magnetostatics.demagnetising_field import SHAPE, demagnetising_field
from ..records.arrays import Floats, Indices
from ..records.points import Branch
from .fit_records import FittedBranch, JointFit, agreed
from .loop import Curve, Sensitivity, branch_rows
from .monotone_spline import MonotoneSpline
from .preisach import Density
from .reml import main_columns
from .settings import UNIFORM_FIELDS


def as_of_points(fit: JointFit, part: FittedBranch, chosen: NDArray[np.bool_]) -> tuple[Floats, Sensitivity]:
    """Volume mean of M at the ``chosen`` rows of a part, and its answer."""
    field = fit.field
    weights = np.tile(field.weights, (len(part.rows), 1))
    v = fit.own.undone(part.slope, weights)
    by_c = part.material.design(part.H_local, v)[chosen]
    assert part.c is not None
    changes = part.material.changes(part.c, part.H_local, part.slope, fit.local_field_changes(part))
    by_z = np.einsum("nq,knq->nk", v, changes)[chosen]
    return (part.M @ field.weights)[chosen], answer_of(fit, part, by_c, by_z)


def curve_of_spline(fit: JointFit, branch: Branch, part: FittedBranch, points: int) -> Curve:
    """The branch of a fitted spline on an even grid over its rows' fields."""
    spline = part.material
    assert isinstance(spline, MonotoneSpline)
    assert part.c is not None
    H, H_sensitivity, by_field = _grid(fit, part.rows, points)
    others = fit.others()
    u = H
    if others:
        # u + others * f(u) rises strictly, so its inverse is an interpolation.
        fine = np.linspace(spline.knots[0], spline.knots[-1], UNIFORM_FIELDS)
        u = np.interp(H, fine + others * spline.state(part.c, fine)[0], fine)
    M, slope = spline.state(part.c, u)
    slower = 1.0 + others * slope
    by_c = spline.basis(u).toarray() / slower[:, None]
    by_z = slope[:, None] * (by_field - np.outer(M, _of_others(fit))) / slower[:, None]
    return _curve(fit, branch, part, H, M, H_sensitivity, by_c, by_z)


def curve_of_density(
    fit: JointFit, branch: Branch, part: FittedBranch, rows: Indices, row: int, points: int
) -> Curve:
    """The branch that ``row`` lies on, of a sample with the fitted density, on an even grid over the fields
    of ``rows``. Its local field at the turning points is the mean of the run's nodes'."""
    density = part.material
    assert isinstance(density, Density)
    assert part.c is not None
    c, model = part.c, fit.model
    H, H_sensitivity, by_field = _grid(fit, rows, points)
    turns = part.H_local @ fit.field.weights
    others = fit.others()
    u = H + fit.steady_field
    slope = np.zeros(len(H))
    if others:
        reach = density.medium.largest
        fine = np.linspace(-reach, reach, UNIFORM_FIELDS)
        M = np.maximum.accumulate(density.uniform_state(c, row, turns, fine))
        u = np.interp(u, fine + others * M, fine)
        slope = np.interp(u, fine, np.gradient(M, fine))
    by_c = density.uniform(row, turns, u)
    M = by_c @ c
    # The turning points move with the bench as the grid does.
    turns_by_z = fit.local_field_changes(part) @ fit.field.weights
    of_grid = by_field - np.outer(M, _of_others(fit))
    by_z = np.zeros((len(H), len(model.keys)))
    for i in range(len(model.keys)):
        if turns_by_z[i].any() or of_grid[:, i].any():
            ahead, behind = (
                density.uniform_state(c, row, turns + side * turns_by_z[i], u + side * of_grid[:, i])
                for side in (0.5, -0.5)
            )
            by_z[:, i] = ahead - behind
    slower = (1.0 + others * slope)[:, None]
    by_c, by_z = by_c / slower, by_z / slower
    return _curve(fit, branch, part, H, M, H_sensitivity, by_c, by_z)


def _curve(
    fit: JointFit,
    branch: Branch,
    part: FittedBranch,
    H: Floats,
    M: Floats,
    H_sensitivity: Sensitivity,
    by_c: Floats,
    by_z: Floats,
) -> Curve:
    unseen = main_columns(by_c @ fit.unseen(part))
    M_sensitivity, decided = answer_of(fit, part, by_c, by_z), np.zeros((len(H), 0))
    N, farthest = fit.field.N, _farthest(fit, part, branch)
    return Curve(branch, H, M, N, H_sensitivity, M_sensitivity, unseen, decided, farthest, fit.field.weights)


def _farthest(fit: JointFit, part: FittedBranch, branch: Branch) -> Floats:
    """The farthest field that each node came to along a branch, as one of a uniform sample (q,).

    As the sample's shape has it, also where the branch fits better as if each part felt itself alone: where
    parts are short that may be so because neither is true.
    """
    on = np.isin(part.rows, branch_rows(fit.model.points, branch, fit.model.stated_field.H_mean))
    H = part.H_local[on] + fit.others() * part.M[on]
    if fit.own.name != SHAPE and isinstance(part.material, MonotoneSpline) and part.c is not None:
        stated = fit.model.stated_field
        own = demagnetising_field(SHAPE, fit.model.bench.sample, stated.nodes, stated.weights)
        applied = fit.field.H[part.rows[on]]
        felt = lambda M: applied - own.interaction_field(M)  # noqa: E731
        _, H, _ = agreed(own, part.M[on], felt, part.material, part.c)
    return H.min(axis=0) if branch == "descending" else H.max(axis=0)


def _grid(fit: JointFit, rows: Indices, points: int) -> tuple[Floats, Sensitivity, Floats]:
    """Fields from the lowest to the highest of the rows' means, their answer, and how they change by
    input (m, k)."""
    H = fit.field.H_mean[rows]
    change = (fit.model.H_change @ fit.field.weights)[:, rows]
    low, high = int(np.argmin(H)), int(np.argmax(H))
    share = np.linspace(0.0, 1.0, points)[:, None]
    by_input = (1.0 - share) * change[:, low] + share * change[:, high]
    grid = np.linspace(H[low], H[high], points)
    return grid, fit.of_inputs.propagate(by_input), by_input


def _of_others(fit: JointFit) -> Floats:
    """Change of the interaction field in a uniform body, by input (k,)."""
    return fit.others() * fit.model.N_change / fit.field.N


def answer_of(fit: JointFit, part: FittedBranch, by_c: Floats, by_z: Floats) -> Sensitivity:
    """The answer of values that change by the coefficients (m, K) and by the inputs (m, k)."""
    d_force, d_prior = fit.of_inputs.propagate(by_z + by_c @ part.c_to_z)
    by_zero = fit.of_zero.propagate(by_c @ part.c_to_zero)
    d_force = d_force + by_zero.d_force
    d_force[:, part.rows[part.counted]] += by_c @ part.c_d_force
    return Sensitivity(d_force, d_prior + by_zero.d_prior)
