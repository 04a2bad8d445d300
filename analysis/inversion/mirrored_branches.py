"""What the two branches say of the bench together: rows of one gap and opposite orientations.

A closed loop is symmetric: at the same gap, going the same way, the sample is pulled alike with either
orientation, whatever the sample and the magnet are. Where a turner holds it off its axis the one gap is
larger and the other smaller by the eccentricity, and a zero that moved between the two passages shows too.
Each branch by itself can take such a difference for a bend of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..forces.settings import MIRRORED_ALIKE, MIRRORED_EACH, SAME_GAP
from ..records.arrays import Floats, Indices
from ..records.points import Points
from .fit_records import FittedBranch


@dataclass(frozen=True, eq=False)
class MirroredRows:
    """Rows of the descending branch and theirs on the ascending one: (m,) places ``i`` and ``j`` among the
    rows that each part has ``counted``."""

    down: FittedBranch
    up: FittedBranch
    i: Indices
    j: Indices

    @classmethod
    def of(cls, points: Points, down: FittedBranch, up: FittedBranch) -> MirroredRows:
        """All there are of two parts."""
        a, b = down.rows[down.counted], up.rows[up.counted]
        same = np.abs(points.gap[a][:, None] - points.gap[b][None, :]) < SAME_GAP
        turned = points.orientation[a][:, None] == -points.orientation[b][None, :]
        return cls(down, up, *np.nonzero(same & turned))

    def differences(self, of: Callable[[FittedBranch], Floats]) -> Floats:
        """What the rows differ by, (m, ...), of a value for every counted row of a part."""
        return of(self.down)[self.i] - of(self.up)[self.j]

    def whitening(self) -> Floats:
        """(m, m): what makes errors of the differences of forces independent and of size one."""
        force = 0.5 * (np.abs(self.down.force[self.i]) + np.abs(self.up.force[self.j]))
        own = self.down.sigma[self.i] ** 2 + self.up.sigma[self.j] ** 2 + (MIRRORED_EACH * force) ** 2
        covariance = np.diag(own) + MIRRORED_ALIKE**2 * np.outer(force, force)
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), np.float64)

    def by_row(self, by_difference: Floats, n: int) -> Floats:
        """Answers to the differences (k, m) as answers to each of the run's forces (k, n)."""
        found = np.zeros((n, len(by_difference)))
        np.add.at(found, self.down.rows[self.down.counted][self.i], by_difference.T)
        np.add.at(found, self.up.rows[self.up.counted][self.j], -by_difference.T)
        return found.T
