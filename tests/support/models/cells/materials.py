"""Materials that remember: each cell's magnetisation after its own history of the field it feels.

Every kind is of unit saturation and of a field scale of about one; ``Scaled`` gives it A/m. A state is an
array with the cells first;
``respond`` never changes it, so that a solver may try fields before one is taken.

A Preisach medium is written as play operators, one for each half width of a hysteron (M. A. Krasnosel'skii
and A. V. Pokrovskii, *Systems
with Hysteresis*, 1989; from memory): the hysterons of half width r whose middle is below the play's state
are up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, erfinv

Floats = NDArray[np.float64]


class Material(Protocol):
    """What a cell is made of."""

    def start(self, cells: int) -> Floats:
        """The state of this many cells that were never magnetised."""
        ...

    def respond(self, state: Floats, field: Floats) -> tuple[Floats, Floats]:
        """The state and the magnetisation after the field went straight from where it was to ``field``."""
        ...


# ---- Distributions of half widths, as quantiles at the middles of equal shares
# -------------------------------------


def _shares(count: int) -> Floats:
    return (np.arange(count) + 0.5) / count


def lognormal(spread: float, count: int = 160) -> Floats:
    """Half widths of median one whose logarithm is normal."""
    return np.exp(spread * np.sqrt(2) * erfinv(2 * _shares(count) - 1))


def gauss(spread: float, count: int = 160) -> Floats:
    """Half widths normal about one, none below zero."""
    return np.abs(1 + spread * np.sqrt(2) * erfinv(2 * _shares(count) - 1))


def lorentz(spread: float, count: int = 160) -> Floats:
    """Half widths of a Lorentz distribution about one, cut off at three (its tails reach far), none below
    zero."""
    share = 0.04 + 0.92 * _shares(count)
    return np.clip(np.abs(1 + spread * np.tan(np.pi * (share - 0.5))), 0, 3)


@dataclass(frozen=True)
class Preisach:
    """Hysterons: ``widths`` of equal shares, their middles spread by ``middle`` (normal, or Lorentz if
    ``heavy``).

    ``reversible`` is the share of M that goes with the field as a Langevin-like curve of scale ``soft``.
    """

    widths: Floats
    middle: float
    heavy: bool = False
    reversible: float = 0.0
    soft: float = 1.5

    def start(self, cells: int) -> Floats:
        """Never magnetised: the middles above zero down, those below up."""
        return np.zeros((cells, len(self.widths)))

    def respond(self, state: Floats, field: Floats) -> tuple[Floats, Floats]:
        """See ``Material``."""
        high, low = field[:, None] + self.widths, field[:, None] - self.widths
        play = np.minimum(np.maximum(state, low), high)
        # Steps between the shares are smoothed over: they are not the material's.
        up = (
            2 / np.pi * np.arctan(play / self.middle)
            if self.heavy
            else erf(play / (np.sqrt(2) * self.middle))
        )
        m = up.mean(axis=1)
        if self.reversible:
            m = (1 - self.reversible) * m + self.reversible * np.tanh(field / self.soft)
        return play, m


@dataclass(frozen=True)
class Pinned:
    """Grains whose wall lets go where the field along their axis reaches their own (E. Kondorsky: 1/cos),
    leaning a little."""

    texture: float  # the exponent of cos in the density of axes; zero: isotropic
    spread: float
    lean: float = 0.05
    angles: int = 10
    count: int = 32

    @cached_property
    def _grains(self) -> tuple[Floats, Floats, Floats]:
        """Cosine, weight and switching field of each grain; as plays with a narrow spread of middles."""
        knots, weights = np.polynomial.legendre.leggauss(self.angles)
        cosine = 0.05 + 0.95 * (knots + 1) / 2
        density = weights * cosine**self.texture
        density /= density @ cosine  # so that the remanence of one hysteron's sum is one
        own = lognormal(self.spread, self.count)
        return (
            np.repeat(cosine, self.count),
            np.repeat(density * cosine, self.count) / self.count,
            np.outer(1 / cosine, own).ravel(),
        )

    def start(self, cells: int) -> Floats:
        """Never magnetised."""
        return np.zeros((cells, self.angles * self.count))

    def respond(self, state: Floats, field: Floats) -> tuple[Floats, Floats]:
        """See ``Material``."""
        _, weight, switch = self._grains
        play = np.minimum(np.maximum(state, field[:, None] - switch), field[:, None] + switch)
        up = np.clip(play / (0.06 * switch), -1, 1)
        m = up @ weight + self.lean * np.tanh(field / 3)
        return play, m


@dataclass(frozen=True)
class Rotating:
    """Single-domain grains that rotate together (E. C. Stoner and E. P. Wohlfarth, Phil. Trans. A 240 (1948)
    599).

    ``texture`` as in ``Pinned``; anisotropy fields are lognormal about one.
    """

    texture: float
    spread: float
    angles: int = 10
    count: int = 24

    @cached_property
    def _tables(self) -> tuple[Floats, Floats, Floats, Floats, list[Floats], Floats]:
        knots, weights = np.polynomial.legendre.leggauss(self.angles)
        theta = np.pi / 4 * (knots + 1)
        share = weights * np.sin(theta) * np.cos(theta) ** self.texture
        share /= share.sum()
        switch = (np.sin(theta) ** (2 / 3) + np.cos(theta) ** (2 / 3)) ** -1.5
        own = lognormal(self.spread, self.count)
        grid = np.concatenate([np.linspace(-1.0, 1.5, 400), np.geomspace(1.51, 60, 150)])
        curves = [_upper_branch(t, s, grid) for t, s in zip(theta, switch, strict=True)]
        return share, switch, own, grid, curves, theta

    def start(self, cells: int) -> Floats:
        """Never magnetised."""
        return np.zeros((cells, self.angles * self.count))

    def respond(self, state: Floats, field: Floats) -> tuple[Floats, Floats]:
        """See ``Material``."""
        share, switch, own, grid, curves, _ = self._tables
        r = np.outer(switch, own).ravel()
        play = np.minimum(np.maximum(state, field[:, None] - r), field[:, None] + r)
        # Neighbouring anisotropy fields overlap, or M would step.
        up = np.clip(play / (0.5 * r * self.spread / 6 + 0.01 * r), -1, 1).reshape(
            len(field), self.angles, self.count
        )
        reduced = field[:, None] / own
        m = np.zeros(len(field))
        for k in range(self.angles):
            above = np.interp(reduced, grid, curves[k])
            below = -np.interp(-reduced, grid, curves[k])
            m += share[k] * ((1 + up[:, k]) / 2 * above + (1 - up[:, k]) / 2 * below).mean(axis=1)
        return play, m


def _upper_branch(theta: float, switch: float, grid: Floats) -> Floats:
    """cos of the angle to the field of a grain that came from above, for reduced fields; held at its last
    below -switch."""
    # In terms of the angle phi of M to the field: sin(2(phi - theta))/2 + h sin(phi) = 0, so h is explicit
    # in phi.
    phi = np.linspace(1e-6, np.pi - 1e-6, 40001)
    h = np.sin(2 * (theta - phi)) / (2 * np.sin(phi))
    # From phi = 0 (h = infinity) h falls monotonically as far as the switching field.
    last = int(np.argmax(h <= -switch * 0.99999)) or int(np.argmin(h[: len(h) // 2 + 12000]))
    falling = slice(0, last + 1)
    return np.interp(grid, h[falling][::-1], np.cos(phi[falling])[::-1])


@dataclass(frozen=True)
class JilesAtherton:
    """D. C. Jiles and D. L. Atherton, J. Magn. Magn. Mater. 61 (1986) 48, the irreversible slope never
    negative."""

    pinning: float = 1.0
    shape: float = 0.35
    coupling: float = 0.15
    reversible: float = 0.08
    steps: int = 24

    def start(self, cells: int) -> Floats:
        """State: field and irreversible magnetisation."""
        return np.zeros((cells, 2))

    def _anhysteretic(self, field: Floats) -> Floats:
        x = field / self.shape
        small = np.abs(x) < 1e-3
        safe = np.where(small, 1.0, x)
        return np.where(small, x / 3, 1 / np.tanh(safe) - 1 / safe)

    def _slope(self, field: Floats, irreversible: Floats, total: Floats, sign: Floats) -> Floats:
        short = self._anhysteretic(field + self.coupling * total) - irreversible
        slope = short / (self.pinning * sign - self.coupling * short)
        return np.where(short * sign > 0, slope, 0.0)

    def respond(self, state: Floats, field: Floats) -> tuple[Floats, Floats]:
        """See ``Material``."""
        start, irreversible = state[:, 0], state[:, 1]
        step = (field - start) / self.steps
        sign = np.where(step >= 0, 1.0, -1.0)
        c = self.reversible
        for k in range(self.steps):
            here = start + k * step
            first = self._slope(here, irreversible, irreversible, sign)
            middle = self._slope(here + step / 2, irreversible + first * step / 2, irreversible, sign)
            irreversible = irreversible + middle * step
        m = c * self._anhysteretic(field + self.coupling * irreversible) + (1 - c) * irreversible
        return np.stack([field, irreversible], axis=1), m


@dataclass(frozen=True)
class Mixture:
    """Two phases side by side, the second's fields ``ratio`` times the first's."""

    first: Material
    second: Material
    share: float
    ratio: float

    def start(self, cells: int) -> Floats:
        """Both states, one behind the other."""
        return np.concatenate([self.first.start(cells), self.second.start(cells)], axis=1)

    def respond(self, state: Floats, field: Floats) -> tuple[Floats, Floats]:
        """See ``Material``."""
        width = self.first.start(1).shape[1]
        one, m1 = self.first.respond(state[:, :width], field)
        two, m2 = self.second.respond(state[:, width:], field / self.ratio)
        return np.concatenate([one, two], axis=1), self.share * m1 + (1 - self.share) * m2


@dataclass(frozen=True)
class Scaled:
    """A material in A/m; ``mean_field`` is what each cell feels of its own magnetisation beyond
    magnetostatics."""

    kind: Material
    saturation: Floats  # of each cell
    field: float
    mean_field: float = 0.0


#: By name, how one is drawn.
KINDS: dict[str, Callable[[np.random.Generator], Material]] = {
    "lognormal": lambda r: Preisach(
        lognormal(r.uniform(0.15, 0.45)), r.uniform(0.1, 0.25), reversible=r.uniform(0, 0.08)
    ),
    "gauss": lambda r: Preisach(
        gauss(r.uniform(0.12, 0.3)), r.uniform(0.08, 0.25), reversible=r.uniform(0, 0.08)
    ),
    "lorentz": lambda r: Preisach(lorentz(r.uniform(0.05, 0.15)), r.uniform(0.04, 0.1), heavy=True),
    "rotating": lambda r: Rotating(0.0, r.uniform(0.15, 0.4)),
    "textured": lambda r: Rotating(r.uniform(2, 12), r.uniform(0.15, 0.4)),
    "pinned": lambda r: Pinned(r.uniform(2, 15), r.uniform(0.15, 0.35), lean=r.uniform(0, 0.08)),
    "Jiles-Atherton": lambda r: JilesAtherton(
        1.0, r.uniform(0.2, 0.5), r.uniform(0.05, 0.2), r.uniform(0.0, 0.15)
    ),
    "sharp knee": lambda r: Preisach(
        lognormal(r.uniform(0.03, 0.08), 240),
        r.uniform(0.02, 0.05),
        reversible=r.uniform(0.02, 0.08),
        soft=3.0,
    ),
    "two phases": lambda r: Mixture(
        Preisach(lognormal(r.uniform(0.15, 0.3)), 0.15),
        Preisach(lognormal(r.uniform(0.15, 0.3)), 0.15),
        r.uniform(0.6, 0.9),
        r.uniform(0.3, 0.6),
    ),
}
