"""Single-domain particles that rotate as one and do not feel one another.

E. C. Stoner and E. P. Wohlfarth, Phil. Trans. R. Soc. A 240 (1948) 599 (from memory). A particle whose easy
axis lies at psi to the field is, at the angle phi to it, in equilibrium at

    h = sin(2 (psi - phi)) / (2 sin(phi)),    in parts of its anisotropy field,

and turns over at h_s = (cos(psi)^(2/3) + sin(psi)^(2/3))^(-3/2) against it (the astroid). Aligned
(psi = 0) its loop is a square one, and turns at the anisotropy field itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr, ndtri

from tests.support.models.grains import GrainMemory, directions
from tests.support.models.preisach_medium import Start

Array = np.ndarray


def astroid(psi: Array) -> Array:
    """The field that turns a particle over, in parts of its anisotropy field."""
    return (np.cos(psi) ** (2 / 3) + np.sin(psi) ** (2 / 3)) ** -1.5


def up_branch(psi: float, h: Array) -> Array:
    """cos(phi) of a particle that was turned up, at ``h`` above -h_s (held there below it)."""
    if psi == 0.0:
        return np.ones(h.shape)
    # From phi near 0, where h is large, h falls until the particle turns over.
    phi = psi * np.geomspace(1e-4, 1.0, 2000)
    phi = np.append(phi, np.linspace(psi, np.pi, 4001)[1:-1])
    field = np.sin(2.0 * (psi - phi)) / (2.0 * np.sin(phi))
    falling = slice(0, int(np.argmin(field[: np.searchsorted(phi, psi + 0.5 * np.pi)])) + 1)
    return np.interp(h, field[falling][::-1], np.cos(phi[falling])[::-1])


@dataclass(frozen=True)
class Particles:
    """Axes at random (``aligned``: all along the field); anisotropy fields, A/m, of median ``anisotropy`` and
    ``spread`` of their logarithm."""

    saturation: float = 300e3
    anisotropy: float = 100e3
    spread: float = 0.15
    aligned: bool = False
    axes: int = 10
    fields: int = 24

    @property
    def largest(self) -> float:
        """More than M ever is, A/m."""
        return 1.01 * self.saturation

    @cached_property
    def angles(self) -> tuple[Array, Array]:
        """Angles to the field and their shares (axes,)."""
        if self.aligned:
            return np.zeros(1), np.ones(1)
        return directions(self.axes)

    @cached_property
    def shares(self) -> Array:
        """Of each kind, an angle with a stretch of the anisotropy fields (a,)."""
        return np.repeat(self.angles[1], self.fields) / self.fields

    @cached_property
    def _kinds(self) -> tuple[Array, Array]:
        """Anisotropy field in the middle of each stretch (fields,), and M of a particle of each angle turned
        up on a table of reduced fields (axes, m)."""
        middle = ndtri((np.arange(self.fields) + 0.5) / self.fields)
        table = np.array([up_branch(float(psi), self._reduced) for psi in self.angles[0]])
        return self.anisotropy * np.exp(self.spread * middle), table

    @cached_property
    def _reduced(self) -> Array:
        return np.concatenate([np.linspace(-1.0, 1.0, 1601), np.geomspace(1.001, 60.0, 400)])

    def turned(self, h: Array) -> Array:
        """Share (n, a) of the particles of a kind that a field of ``h`` (n,) turns over."""
        over = np.maximum(np.abs(h)[:, None], 1e-3) / (self.anisotropy * astroid(self.angles[0]))
        counted = self.fields * ndtr(np.log(over) / self.spread)
        return np.clip(counted[:, :, None] - np.arange(self.fields), 0.0, 1.0).reshape(len(h), -1)

    def leaning(self, h: Array) -> Array:
        """M per saturation (n, a) of particles turned up, at ``h`` (n,)."""
        own, table = self._kinds
        reduced = h[:, None] / own
        return np.stack([np.interp(reduced, self._reduced, M) for M in table], axis=1).reshape(len(h), -1)

    def major_descending(self, h: Array) -> Array:
        """M on the branch from full positive saturation."""
        h = np.asarray(h, float).ravel()
        return GrainMemory(self, len(h), "up").magnetisation(h)

    def memory(self, size: int, start: Start) -> GrainMemory:
        """Many independent elements of it."""
        return GrainMemory(self, size, start)
