"""A second kind of sample, for tests only: grains that turn over one by one and lean in between.

Nothing of a hysteron's plane: each grain is a single domain with an easy axis, leaning towards the field as
E. C. Stoner and E. P. Wohlfarth say (Phil. Trans. R. Soc. A 240 (1948) 599) and turning over where the field
along its axis reaches its own switching field (E. Kondorsky, J. Phys. USSR 2 (1940) 161), which in a ferrite
is far below what its anisotropy would bear; both from memory. The axes lie about the disc's axis as
cos(theta)^texture sin(theta).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy.special import ndtr

from tests.support.models.preisach_medium import Start

Array = np.ndarray

#: Directions of axes.
_AXES = 12


class GrainKinds(Protocol):
    """Grains of several kinds, which are turned over by a field of either sign and lean in between."""

    @property
    def saturation(self) -> float:
        """A/m."""
        ...

    @property
    def shares(self) -> Array:
        """Of each kind (a,)."""
        ...

    @property
    def largest(self) -> float:
        """More than M ever is, A/m."""
        ...

    def turned(self, h: Array) -> Array:
        """Share (n, a) of the grains of a kind that a field of ``h`` (n,) turns over."""
        ...

    def leaning(self, h: Array) -> Array:
        """M per saturation (n, a) of grains turned up, at ``h`` (n,)."""
        ...

    def major_descending(self, h: Array) -> Array:
        """M on the branch from full positive saturation."""
        ...


def directions(count: int, texture: float = 0.0) -> tuple[Array, Array]:
    """Angles to the field and their shares (count,), which go as cos(angle)^texture over the half sphere."""
    x, w = np.polynomial.legendre.leggauss(count)
    theta = 0.25 * np.pi * (x + 1.0)
    share = w * np.cos(theta) ** texture * np.sin(theta)
    return theta, share / share.sum()


@dataclass(frozen=True)
class Grains:
    """Fields in A/m: ``anisotropy`` of a grain, median ``switching`` field, ``spread`` of its logarithm."""

    saturation: float = 300e3
    anisotropy: float = 1.3e6
    switching: float = 60e3
    spread: float = 0.12
    texture: float = 8.0

    @property
    def largest(self) -> float:
        """More than M ever is, A/m."""
        return 1.01 * self.saturation

    @cached_property
    def axes(self) -> tuple[Array, Array]:
        """Angles and their shares (a,)."""
        return directions(_AXES, self.texture)

    @property
    def shares(self) -> Array:
        """Of each direction (a,)."""
        return self.axes[1]

    def turned(self, h: Array) -> Array:
        """Share (n, a) of the grains that a field of ``h`` (n,) along the disc's axis turns over."""
        along = np.maximum(np.abs(h)[:, None] * np.cos(self.axes[0]), 1e-3)
        return ndtr(np.log(along / self.switching) / self.spread)

    @cached_property
    def _leaning(self) -> tuple[Array, Array]:
        """Fields (m,), evenly apart, and M (m, a), per saturation, of grains that were turned up.

        The least energy at an angle phi to the disc's axis: sin(2 (phi - theta)) / 2 + h sin(phi) = 0, from
        theta on by Newton's method.
        """
        h = np.linspace(-0.6, 2.0, 1301)
        theta = self.axes[0][:, None]
        phi = theta + 0.0 * h
        for _ in range(60):
            slope = np.maximum(np.cos(2.0 * (phi - theta)) + h * np.cos(phi), 0.05)
            step = (0.5 * np.sin(2.0 * (phi - theta)) + h * np.sin(phi)) / slope
            phi = phi - np.clip(step, -0.1, 0.1)
        return h * self.anisotropy, np.ascontiguousarray(np.cos(phi).T)

    def leaning(self, h: Array) -> Array:
        """M per saturation (n, a) of grains turned up, at ``h`` (n,)."""
        fields, M = self._leaning
        place = np.clip((h - fields[0]) / (fields[1] - fields[0]), 0.0, len(fields) - 1.0)
        i = np.minimum(place.astype(int), len(fields) - 2)
        return M[i] + (place - i)[:, None] * (M[i + 1] - M[i])

    def major_descending(self, h: Array) -> Array:
        """M on the branch from full positive saturation."""
        h = np.asarray(h, float).ravel()
        memory = GrainMemory(self, len(h), "up")
        return memory.magnetisation(h)

    def memory(self, size: int, start: Start) -> GrainMemory:
        """Many independent elements of it."""
        return GrainMemory(self, size, start)


class GrainMemory:
    """Which grains of many independent elements are up; half of every kind, on the virgin curve.

    A field turns over all grains that are easier than it, so that what is left of the past is a row of ever
    smaller turning points of either sign (``ends``, (k, n), 0 where wiped out).
    """

    def __init__(self, material: GrainKinds, size: int, start: Start = "virgin") -> None:
        self.material = material
        self.share = {"virgin": 0.5, "up": 1.0, "down": 0.0}[start]
        self.ends = np.zeros((0, size))
        self.turned: list[Array] = []

    def magnetisation(self, h: Array) -> Array:
        """M (A/m) of every element if the field went on to h; commits nothing."""
        sign = np.full(len(h), self.share)
        up = np.full((len(h), len(self.material.shares)), self.share)
        for end, turned in zip(self.ends, self.turned, strict=True):
            new = np.where(np.abs(end) > np.abs(h), end > 0.0, sign)
            up, sign = up + (new - sign)[:, None] * turned, new
        up = up + ((h > 0.0) - sign)[:, None] * self.material.turned(h)
        M = up * self.material.leaning(h) - (1.0 - up) * self.material.leaning(-h)
        return self.material.saturation * (M @ self.material.shares)

    def go(self, h: Array) -> None:
        """Move the fields on to h and remember."""
        ends = np.vstack([np.where(np.abs(self.ends) > np.abs(h), self.ends, 0.0), h])
        last = np.zeros(len(h))
        for end in ends[:-1]:
            last = np.where(end != 0.0, end, last)
        ends[-1] = np.where(np.sign(last) == np.sign(h), 0.0, h)  # already turned that way by a larger one
        self.ends = ends[np.any(ends != 0.0, axis=1)]
        self.turned = [self.material.turned(end) for end in self.ends]
