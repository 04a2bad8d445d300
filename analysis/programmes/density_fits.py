"""Fits of a density of hysterons to all readings of a run, by hypothesis on the sample's own field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from ..errors import NotPossible
from ..inversion.fit_records import BranchSpec, FittedBranch, JointFit
from ..inversion.joint_fit import JointFitting
from ..inversion.model_selection import hypothesis_weights
from ..inversion.preisach import Density
from ..inversion.settings import UNLIKELY
from ..magnetostatics.applied_field import NodeField
from ..magnetostatics.bench_linearisation import bench_model
from ..magnetostatics.demagnetising_field import HYPOTHESES
from ..records.arrays import Indices
from ..records.bench import Bench
from ..records.points import Points
from .past import BeforeRun, some_rows
from .settings import CELL_DOUBT, FIRST_ROWS, FITS, IN_FIELD, LEAST_ROWS
from .slipped_rows import slipped_rows

DENSITY = "density"


def fitted_rows(points: Points) -> Indices:
    """The rows that a fit can use; raises NotPossible for too few."""
    fitted = np.flatnonzero(points.used & np.isfinite(points.force) & np.isfinite(points.gap))
    if len(fitted) < LEAST_ROWS or len(np.unique(points.orientation[fitted])) < 2:
        raise NotPossible(
            f"{len(fitted)} usable readings: a history wants {LEAST_ROWS} or more, in both orientations"
        )
    return fitted


def doubted(points: Points, field: NodeField, fitted: Indices) -> Points:
    """With what a density of even cells is off by: a part of the largest M, wherever a reading is taken."""
    H, pull = np.abs(field.H_mean), np.abs(field.pull_mean)
    in_field = fitted[H[fitted] > IN_FIELD * H[fitted].max()]
    largest = float(np.abs(points.force[in_field] / pull[in_field]).max())
    return replace(points, u_force=np.hypot(points.u_force, CELL_DOUBT * largest * pull))


class _Made(NamedTuple):
    """How a density is made: which part of what a part does to itself its hysterons feel, and whether its
    cells are closer together where M changes."""

    felt: float = 1.0
    by_changes: bool = False


_MADE = (_Made(), _Made(by_changes=True), _Made(felt=0.0))


def density_fits(points: Points, bench: Bench, past: BeforeRun) -> list[JointFit]:
    """A fit under each hypothesis, the likeliest first, those that are not likely to some of the rows only.

    Hysterons feel all of the sample's own field. Where that misses the readings, or takes some for slipped,
    cells closer together where M changes are tried, and hysterons of a field less their own part's; where all
    of these do, the one is taken that misses least.
    """
    fitted, model = fitted_rows(points), bench_model(points, bench)
    every, best = np.arange(len(points)), list[JointFit]()
    rows = some_rows(points, fitted, FIRST_ROWS) if len(fitted) > 2 * FIRST_ROWS else every

    def fitted_to(rows: Indices, hypothesis: str, made: _Made, near: JointFit | None) -> JointFit:
        counted = np.flatnonzero(np.isin(rows, fitted))
        density = Density(past.magnetised, line=True, by_changes=made.by_changes)
        role = {DENSITY: BranchSpec(rows, density, counted)}
        return JointFitting(model, role, hypothesis, conditioned=False, near=near, felt=made.felt).solve()

    chosen = _MADE[0]
    for made in _MADE:
        fits: list[JointFit] = []
        for hypothesis in HYPOTHESES:
            fits.append(fitted_to(rows, hypothesis, made, fits[0] if fits else None))
        fits.sort(key=by_reading)
        if not best or fits[0].objective < best[0].objective:
            best, chosen = fits, made
        if misfit_of(best[0]) < FITS and slipped_rows(part_of(best[0]), points, bench) is None:
            break
    if len(rows) < len(every):
        weights = hypothesis_weights(best, objectives(best, len(fitted)))
        for k in np.flatnonzero(weights > UNLIKELY * weights.max()):
            best[k] = fitted_to(every, best[k].own.name, chosen, best[k])
    return sorted(best, key=by_reading)


def objectives(fits: Sequence[JointFit], readings: int) -> list[float]:
    """The objectives, those of fits to some of the ``readings`` as if they were of all."""
    return [readings * by_reading(fit) for fit in fits]


def by_reading(fit: JointFit) -> float:
    """The objective by reading."""
    return fit.objective / len(part_of(fit).force)


def part_of(fit: JointFit) -> FittedBranch:
    return fit.parts[DENSITY]


def misfit_of(fit: JointFit) -> float:
    part = part_of(fit)
    return float(np.mean((part.residual / part.doubt) ** 2))


def density_of(fit: JointFit) -> Density:
    material = part_of(fit).material
    assert isinstance(material, Density)
    return material
