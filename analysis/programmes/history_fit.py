"""A run of any history: a density of hysterons fitted to all its readings.

The field spreads over the sample, so that the pull is not the curve: whatever was run, the density is sought
that gives every reading (``inversion.preisach``), under each hypothesis on the sample's own field, and what a
sample of that material does in a uniform field follows from it along any path.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..errors import Finding, NotPossible, about_rows
from ..forces.branches import forces_of, mean_path
from ..forces.far_zeros import far_zeros
from ..forces.force import force as force_by_mass
from ..forces.passages import passages_of
from ..forces.zero_drift import ZeroReadings
from ..forces.zeros import KnownZeros, bracket
from ..inversion.fit_records import FittedBranch, JointFit
from ..inversion.loop import Curve, Sensitivity
from ..inversion.model_selection import hypothesis_likelihoods, hypothesis_weights
from ..inversion.preisach_cells import Masses
from ..inversion.preisach_memory import Past
from ..inversion.settings import CURVE_POINTS, UNLIKELY
from ..inversion.uniform_loop import answer_of
from ..magnetostatics.applied_field import node_field
from ..magnetostatics.quadrature import volume
from ..records.arrays import Bools, Floats
from ..records.bench import Bench
from ..records.points import Branch, Points
from ..records.readings import Readings
from .density_fits import density_fits, density_of, doubted, fitted_rows, misfit_of, objectives, part_of
from .past import BeforeRun, likeliest_past, taken_off_between, with_past
from .settings import (
    DENSITY_DOUBT,
    FIELD_DOUBT,
    MISFIT,
    MOST_OFF,
    MOST_SLIPS,
    MUCH_BETTER,
    STRETCH,
)
from .slipped_rows import SlippedRows, slipped_rows


@dataclass(frozen=True, eq=False)
class UniformHistory:
    """A sample of the fitted material led through a path in a uniform field; arrays (1 + draws, m), A/m.

    ``H`` is the internal field, ``M`` the magnetisation; the first row of each is the best estimate, the
    others Monte Carlo draws, in each row one sample that may be the true one.
    """

    H: Floats
    M: Floats


@dataclass(frozen=True, eq=False)
class HistoryFit:
    """The material of one sample as a run of any history has it.

    ``points`` are the readings as forces, ``fits`` one for each hypothesis on the sample's own field that is
    likely, with its ``weights`` (they sum to 1), the likeliest first; ``warnings`` what was found wrong.
    """

    bench: Bench
    points: Points
    fits: tuple[JointFit, ...]
    weights: tuple[float, ...]
    warnings: tuple[Finding, ...]
    seed: int
    draws: int
    #: How likely the readings are under each hypothesis, the likeliest 1.
    likelihood: dict[str, float]

    @property
    def largest(self) -> float:
        """The largest field the sample has felt, A/m, the mean over its volume: what few parts felt is known
        of them only, and beyond it the rest would go on rising."""
        return min(float(np.abs(part_of(fit).H_local @ fit.field.weights).max()) for fit in self.fits)

    @property
    def cell(self) -> float:
        """The width of the density's cells about no field, A/m: over less no slope is known."""
        return float(density_of(self.fits[0]).medium.width(np.zeros(1))[0])

    @property
    def misfit(self) -> float:
        """Mean square of the residuals in standard deviations, what any model is off by included."""
        return misfit_of(self.fits[0])

    def follow(self, path: Sequence[float] | Floats) -> UniformHistory:
        """Lead a virgin sample through ``path`` (m,): what its parts feel, A/m, in order. Beyond ``largest``
        the material is taken to stay as it is there."""
        u = np.asarray(path, float)
        random = np.random.default_rng(self.seed)
        which = random.choice(len(self.fits), self.draws, p=self.weights)
        normals = random.standard_normal((self.draws, self._roots[0].shape[0]))
        scale = 1.0 + DENSITY_DOUBT * random.standard_normal(self.draws)
        H, M = np.empty((self.draws + 1, len(u))), np.empty((self.draws + 1, len(u)))
        # Readings that fit less well than they claim tell less well (Birge ratio).
        wider = np.sqrt(max(self.misfit, 1.0))
        for k, (fit, root) in enumerate(zip(self.fits, self._roots, strict=True)):
            mine, c = np.flatnonzero(which == k), part_of(fit).c
            assert c is not None
            design = self._design(k, u)
            if k == 0:
                M[0] = design @ c
                H[0] = u + self._off(k) * M[0]
            farther, nearer = (self._magnetised(k, (1.0 + by) * u) for by in (-0.5 * STRETCH, 0.5 * STRETCH))
            stretched = np.vstack([design.T, (farther - nearer) / STRETCH])
            drawn = np.append(c, 0.0) @ stretched + (normals[mine] @ root) @ stretched
            M[mine + 1] = M[0] + wider * (drawn * scale[mine, None] - M[0])
        # Switching fields are known to a part of a cell: all a little larger, or a little smaller.
        M[1:] += random.standard_normal((self.draws, 1)) * self._switching_later(u)
        for k in range(len(self.fits)):
            mine = np.flatnonzero(which == k) + 1
            H[mine] = u + self._off(k) * M[mine]
        return UniformHistory(H, M)

    def _switching_later(self, u: Floats) -> Floats:
        """Change of M (m,) where every switching field is larger by ``FIELD_DOUBT``, but on the way that the
        field first goes, which a run that begins virgin has read."""
        cell = density_of(self.fits[0]).medium.width(u)
        furthest = np.maximum.accumulate(np.abs(u))
        later = np.where(np.abs(u) < furthest, FIELD_DOUBT * cell * np.tanh(u / cell), 0.0)
        after, before = (np.clip(u + by, -furthest, furthest) for by in (-later, later))
        return 0.5 * (self._magnetised(0, after) - self._magnetised(0, before))

    def loop(self) -> tuple[Curve, Curve]:
        """Descending and ascending branch of the likeliest fit's material, between the largest field felt and
        its reverse."""
        up = np.linspace(-self.largest, self.largest, CURVE_POINTS)
        N, count = self.fits[0].field.N, CURVE_POINTS
        path = np.concatenate([up[::-1], up])
        M = self._magnetised(0, path)
        H = path + self._off(0) * M
        nothing = np.zeros((count, 0))

        def branch(name: Branch, H: Floats, M: Floats) -> Curve:
            H, exact = np.maximum.accumulate(H), Sensitivity(nothing, nothing)
            return Curve(name, H + N * M, M, N, exact, exact, nothing, nothing)

        return branch("descending", H[count - 1 :: -1], M[count - 1 :: -1]), branch(
            "ascending", H[count:], M[count:]
        )

    def _off(self, k: int) -> float:
        """Internal field less what a part feels, by M."""
        fit = self.fits[k]
        return fit.others() - fit.field.N

    def _design(self, k: int, u: Floats) -> Floats:
        density = density_of(self.fits[k])
        path = u[:, None]
        return Past(0.0).followed(path).design(density.medium, path, np.ones_like(path)) * density.scale

    def _magnetised(self, k: int, u: Floats) -> Floats:
        """M of the estimate at each of the fields (m,)."""
        density, path, c = density_of(self.fits[k]), u[:, None], part_of(self.fits[k]).c
        assert c is not None
        return Past(0.0).followed(path).state(density.medium, path, Masses(c * density.scale))[0][:, 0]

    @cached_property
    def _roots(self) -> list[Floats]:
        """Of each fit (K + 1, K + 1): a row of standard normals times this is what its coefficients may be
        off by, and by which part all switching fields, for readings, bench and what the readings leave open,
        to first order. Cells go with the fields of the bench: were they to stay where they are, what they
        are off by would seem to be the bench's."""
        found = []
        for fit in self.fits:
            part = part_of(fit)
            by_field, longer = _stretched(fit, part)
            whole = np.eye(len(by_field) + 1, len(by_field))
            by_z = np.outer(np.append(by_field, 1.0), longer)
            by_force, by_prior = answer_of(fit, part, whole, by_z)
            rows = part.rows[part.counted]
            independent = [
                by_force[:, rows] * (part.sigma * fit.scale),
                by_prior @ np.linalg.cholesky(fit.model.prior),
                whole @ fit.unseen(part),
            ]
            root = np.linalg.qr(np.concatenate(independent, axis=1).T, mode="r")
            found.append(np.concatenate([root, np.zeros((len(whole) - len(root), len(whole)))]))
        return found


def _stretched(fit: JointFit, part: FittedBranch) -> tuple[Floats, Floats]:
    """How the coefficients (K,) answer to the forces of nodes whose fields are all larger by a part, by that
    part; and by which part each input of the bench (k,) makes them larger, by what they pull."""
    assert part.c is not None
    f, u = fit.field.rows(part.rows), part.H_local
    weights = u * f.pull**2
    longer = np.einsum("knq,nq->k", fit.local_field_changes(part), weights) / np.sum(weights * u)
    change = part.material.changes(part.c, u, part.slope, STRETCH * u[None])[0] / STRETCH
    force = np.sum(fit.own.undone(part.slope, f.pull) * change, axis=1)[part.counted]
    return part.c_d_force @ force, longer


def fit_history(
    readings: Readings,
    bench: Bench,
    *,
    draws: int = 1000,
    seed: int = 1,
    slips: bool = True,
) -> HistoryFit:
    """Fit the readings of a run of any history, which are taken in the order of their rows.

    What its sample went through before is sought (``past``). ``slips``: look for rows that are off, and set
    them aside. Raises NotPossible for too few readings, or of one orientation only.
    """
    points = taken_off_between(history_points(readings, bench))
    fitted = fitted_rows(points)
    points, past = doubted(points, node_field(points, bench), fitted), BeforeRun()
    fits = density_fits(points, bench, past)
    if misfit_of(fits[0]) > MISFIT:
        other = likeliest_past(points, bench, fitted)
        if other != past:
            led = with_past(points, other)
            better = density_fits(led, bench, other)
            if better[0].objective < MUCH_BETTER * fits[0].objective:
                points, fits, past = led, better, other
    warnings: list[Finding] = []
    # One after the other, the worst first: what is far off bends the fit to all others, so that the next is
    # begun from nothing of it.
    for _ in range(max(MOST_SLIPS, len(readings) // MOST_OFF) if slips else 0):
        found = slipped_rows(part_of(fits[0]), points, bench)
        if found is None:
            break
        try:
            without = _without(points, found)
            fits, points = density_fits(without, bench, past), without
        except NotPossible:
            break  # too few would be left
        code, reason = found.words()
        warnings.append(about_rows(code, points.row[found.rows], f"{reason}; set aside"))
    whole = objectives(fits, len(fitted_rows(points)))
    weights = hypothesis_weights(fits, whole)
    weights = weights / weights.sum()
    likelihood = hypothesis_likelihoods(fits, whole)
    kept = [
        (float(weights[i]), fits[i]) for i in np.argsort(-weights, kind="stable") if weights[i] > UNLIKELY
    ]
    total = sum(w for w, _ in kept)
    return HistoryFit(
        bench,
        points,
        tuple(f for _, f in kept),
        tuple(w / total for w, _ in kept),
        tuple(warnings),
        seed,
        draws,
        {fit.own.name: float(by) for fit, by in zip(fits, likelihood, strict=True)},
    )


def _without(points: Points, found: SlippedRows) -> Points:
    """The points with the rows found set aside."""
    used, why = points.used.copy(), list(points.why_not)
    for row in found.rows:
        used[row], why[row] = False, found.words()[1]
    return replace(points, used=used, why_not=tuple(why))


def history_points(readings: Readings, bench: Bench) -> Points:
    """The readings as forces, in the order taken, every way of the field allowed.

    A passage ends where the field's strength turns or the sample was turned over.
    """
    H, gradient = mean_path(readings, bench)
    n = len(readings)
    why = list(readings.set_aside)
    for i in range(n):
        if why[i] is None and not np.isfinite(readings.reading[i] + readings.gap[i]):
            why[i] = "no reading"
        elif why[i] is None and abs(readings.reading[i]) >= bench.balance.capacity:
            why[i] = "beyond the balance's capacity"
    leg = np.zeros(n, np.int64)
    branch: list[Branch] = ["ascending"] * n
    heading = 0.0
    for i in range(1, n):
        way = float(np.sign(H[i] - H[i - 1])) or heading
        turned = way != heading or readings.orientation[i] != readings.orientation[i - 1]
        leg[i] = leg[i - 1] + (turned and i > 1)
        branch[i] = "ascending" if way > 0 else "descending"
        heading = way
    if n > 1:
        branch[0] = branch[1]
    used = np.array([reason is None for reason in why], bool)
    zeros = bracket(readings, bench, _far(readings, bench, H, gradient, used))
    force, u_force, unknown = forces_of(zeros, bench)
    return Points(
        row=readings.row,
        gap=readings.gap,
        spacers=readings.spacers,
        orientation=readings.orientation,
        force=force,
        u_force=u_force,
        temperature=readings.temperature,
        leg=leg,
        branch=tuple(branch),
        used=used,
        why_not=tuple(why),
        zero=unknown,
    )


def plain_magnetisation(readings: Readings, bench: Bench) -> tuple[Points, Floats, Floats, Floats]:
    """The readings as forces, applied field, M and the readings' own part of its uncertainty, A/m (n,), by
    the field's means over the sample: what a run that fills in shows of itself."""
    points = history_points(readings, bench)
    H, gradient = mean_path(readings, bench)
    by_force = -readings.orientation / (volume(bench.sample) * gradient)
    return points, H, by_force * points.force, np.abs(by_force) * points.u_force


def _far(readings: Readings, bench: Bench, H: Floats, gradient: Floats, used: Bools) -> KnownZeros | None:
    """What readings at the far end tell of a zero that was never read with the sample off; they are all among
    those of the fit."""
    if not (readings.hands_off or bench.gap.turner is not None) or not used.any():
        return None
    per_newton = -readings.orientation / (volume(bench.sample) * gradient)
    M_by_kg = per_newton * force_by_mass(np.ones(len(readings)), bench)
    passages = passages_of(H, readings.orientation, readings.gap, np.flatnonzero(used))
    found = far_zeros(readings, bench, H, M_by_kg, passages)
    return found and replace(found, apart=ZeroReadings(*np.zeros((3, 0))))
