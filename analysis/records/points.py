"""One record between weighing and magnetisation: what was pulled, where, and on which branch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .arrays import Floats, Indices

Branch = Literal["first", "descending", "ascending"]


@dataclass(frozen=True, eq=False)
class ZeroModes:
    """What the balance's zero may be off by besides what was taken off the forces: root (n, s) in N times s
    standard normal numbers, less ``begun`` (s,) of them, which were."""

    root: Floats
    begun: Floats


@dataclass(frozen=True)
class Points:
    """Forces in the order taken; arrays of shape (n,), SI.

    ``force`` (N) is positive for attraction. ``u_force`` is the standard uncertainty of the part
    that is each reading's own (settled reading and its zeros); what all rows share (remanence,
    contact, sizes, gravity) is kept apart in the bench, and so is a zero that is followed through the whole
    run: ``zero``, then an unknown of the fit. ``leg`` counts the passages: a new leg
    begins where the field's magnitude at the sample turns around or the orientation changes.
    ``branch`` names the branch each row belongs to; the row of strongest field, at which a
    descending or ascending branch starts, carries the name of the branch that starts there.
    ``used`` is False for rows set aside; ``why_not`` says why, else None.
    """

    row: NDArray[np.int64]
    gap: Floats
    spacers: Floats
    orientation: NDArray[np.int64]
    force: Floats
    u_force: Floats
    temperature: Floats
    leg: NDArray[np.int64]
    branch: tuple[Branch, ...]
    used: NDArray[np.bool_]
    why_not: tuple[str | None, ...]
    zero: ZeroModes | None = None

    @property
    def taken_off(self) -> bool:
        """Whether the sample was taken off the magnet between readings, as every change of spacers asks."""
        return bool(np.isfinite(self.spacers[self.used]).any())

    def __len__(self) -> int:
        return len(self.row)

    def force_by_gap(self, rows: Indices) -> Floats:
        """dF/dgap at some rows (m,), N/m, among them and along each one's own passage; 0 where there is no
        neighbour, or one at the same gap."""
        slope = np.zeros(len(rows))
        for leg in np.unique(self.leg[rows]):
            on = np.flatnonzero(self.leg[rows] == leg)
            if len(on) > 1 and np.all(np.diff(self.gap[rows[on]]) != 0.0):
                slope[on] = np.gradient(self.force[rows[on]], self.gap[rows[on]])
        return slope
