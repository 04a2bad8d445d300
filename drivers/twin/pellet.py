"""The sample: a pellet of magnet material that remembers every field it has seen.

At each of several points of its volume the material is a set of hysterons: one of half-width h
turns up at u + h and down at u - h, where u is the interaction field of its neighbours. For
hysterons of one h those with u below some border are up, and the border is the play operator of
the field: it follows H only when pushed, by H - h from below or H + h from above. So the whole
memory of a point is one border for each h, and wiping-out and return-point memory come by
themselves (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518, from memory). With u spread by a
logistic law of scale s, those of one h give tanh(border / (2 s)). A reversible part, which
saturates as 1/H, is added.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from .field import Magnet

Floats = NDArray[np.float64]

#: Vacuum permeability, N/A^2 (CODATA 2022); the twin shares no constant with the analysis.
MU0 = 1.25663706127e-6
#: So far away that the magnet's field is nothing (m): where a sample goes that is taken off.
AWAY = 0.3


@dataclass(frozen=True)
class Material:
    """A magnet material. ``saturation``, ``coercivity`` and the two spreads in A/m.

    ``coercivity`` is the median half-width of the hysterons, ``spread`` the logarithmic standard
    deviation of them, ``interaction`` the scale s of the interaction fields. ``reversible`` is
    the part of the saturation that turns reversibly, half of it at ``reversible_field``.
    """

    saturation: float
    coercivity: float
    spread: float
    interaction: float
    reversible: float
    reversible_field: float
    widths: int = 64

    def half_widths(self) -> Floats:
        """Half-widths (A/m) of hysterons of equal share: the middle quantiles of a log-normal law."""
        from scipy.special import ndtri

        quantiles = (np.arange(self.widths) + 0.5) / self.widths
        return self.coercivity * np.exp(self.spread * ndtri(quantiles))


def moved(border: Floats, field: Floats, half_widths: Floats) -> Floats:
    """The borders (points, widths) after the field (points,) went straight to a new value."""
    h = field[:, None]
    return np.clip(border, h - half_widths, h + half_widths)


def magnetisation(material: Material, border: Floats, field: Floats) -> Floats:
    """M (A/m) at each point for its borders (points, widths) and internal field (points,)."""
    turned = np.tanh(border / (2.0 * material.interaction)).mean(axis=1)
    rotated = field / (np.abs(field) + material.reversible_field)
    return material.saturation * ((1.0 - material.reversible) * turned + material.reversible * rotated)


def cylinder_demagnetising_factor(diameter: float, height: float) -> float:
    """Magnetometric N along the axis, susceptibility 0: 1 - Nagaoka's coefficient.

    H. Nagaoka, J. Coll. Sci. Tokyo 27 (1909): the coefficient in complete elliptic integrals.
    """
    from scipy.special import ellipe, ellipk

    k2 = diameter**2 / (diameter**2 + height**2)
    c2 = 1.0 - k2
    bracket = c2 / k2 * (ellipk(k2) - ellipe(k2)) + ellipe(k2) - np.sqrt(k2)
    return float(1.0 - 4.0 / (3.0 * pi * np.sqrt(c2)) * bracket)


class Pellet:
    """A disc of a material over a magnet, with its memory.

    The disc's axis is the magnet's (up to ``offset``, m, along x). ``gap`` (m) is face to face;
    ``orientation`` +1 or -1 is the way the magnet's field points along the sample's own axis.
    """

    def __init__(
        self, material: Material, magnet: Magnet, diameter: float, height: float, offset: float = 0.0
    ) -> None:
        self.material = material
        self.magnet = magnet
        self.volume = pi / 4 * diameter**2 * height
        self.demagnetising_factor = cylinder_demagnetising_factor(diameter, height)
        self.x, self.y, self.z, self.share = disc_points(diameter / 2, height, offset, magnet.shape)
        self.half_widths = material.half_widths()
        self.border = np.zeros((self.x.size, self.half_widths.size))
        self.applied = np.zeros(self.x.size)
        self.gradient = np.zeros(self.x.size)
        self.M = np.zeros(self.x.size)
        self.mean_M = 0.0
        self.gap = AWAY
        self.orientation = 1

    def follow(self, gap: float, orientation: int) -> None:
        """Let the sample go straight to a gap. Away from the magnet the field is simply zero."""
        self.gap, self.orientation = gap, orientation
        if gap >= AWAY:
            self.gradient = np.zeros(self.x.size)
            self.expose(np.zeros(self.x.size))
            return
        b, self.gradient = self.magnet.field(self.x, self.y, self.z + gap)
        self.expose(orientation * b / MU0)

    def travel(self, gap: float, orientation: int) -> None:
        """Let the sample be carried to a gap through everything between, in fine steps.

        The field need not be monotonic on the way (a ring's is not), and the order of its peaks
        is what the memory keeps.
        """
        start = self.gap
        steps = max(1, int(abs(log((gap + 2e-3) / (start + 2e-3))) / 0.15))
        for k in range(1, steps + 1):
            between = (start + 2e-3) * ((gap + 2e-3) / (start + 2e-3)) ** (k / steps) - 2e-3
            self.follow(gap if k == steps else between, orientation)

    def expose(self, applied: Floats) -> None:
        """Set the applied field (A/m, along the sample's axis) at every point.

        Each point sees H = applied - N <M>. The mean M that is its own cause is the root of a
        falling function: found between two bounds by halving and the Illinois rule.
        """

        def excess(mean: float) -> float:
            h = applied - self.demagnetising_factor * mean
            return (
                float(self.share @ magnetisation(self.material, moved(self.border, h, self.half_widths), h))
                - mean
            )

        low, high = -self.material.saturation, self.material.saturation
        f_low, f_high = excess(low), excess(high)
        tolerance = 1e-9 * self.material.saturation
        guess, side = self.mean_M, 0
        for _ in range(80):
            if not low < guess < high:
                guess = 0.5 * (low + high)
            f = excess(guess)
            if abs(f) < tolerance or high - low < tolerance:
                break
            if f > 0:
                low, f_low = guess, f
                f_high = 0.5 * f_high if side == 1 else f_high
                side = 1
            else:
                high, f_high = guess, f
                f_low = 0.5 * f_low if side == -1 else f_low
                side = -1
            guess = (low * f_high - high * f_low) / (f_high - f_low)
        self.applied = applied
        self.mean_M = guess
        h = self.internal
        self.border = moved(self.border, h, self.half_widths)
        self.M = magnetisation(self.material, self.border, h)

    @property
    def internal(self) -> Floats:
        """Internal field (A/m) at the points."""
        return self.applied - self.demagnetising_factor * self.mean_M

    @property
    def attraction(self) -> float:
        """Force between magnet and sample, N, positive when they attract."""
        return -self.orientation * self.volume * float(self.share @ (self.M * self.gradient))


def disc_points(radius: float, height: float, offset: float, magnet_shape: str) -> tuple[Floats, ...]:
    """x, y, z (m, z from the disc's lower face) and shares (sum 1) of points filling a disc.

    Gauss-Legendre along z and in the square of the radius; evenly around the axis over one half
    (the other is its mirror image, as the offset is along x), once where everything is round.
    """
    around = 1 if offset == 0.0 and magnet_shape != "block" else 6
    zn, zw = np.polynomial.legendre.leggauss(6)
    rn, rw = np.polynomial.legendre.leggauss(4)
    z, r, phi = np.meshgrid(
        (zn + 1) / 2 * height,
        radius * np.sqrt((rn + 1) / 2),
        (np.arange(around) + 0.5) * pi / around,
        indexing="ij",
    )
    share = np.broadcast_to((zw / 2)[:, None, None] * (rw / 2)[None, :, None] / around, z.shape)
    return (
        (r * np.cos(phi) + offset).ravel(),
        (r * np.sin(phi)).ravel(),
        z.ravel(),
        share.ravel().copy(),
    )
