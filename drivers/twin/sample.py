"""The sample: a pellet of magnet material that remembers every field it has seen.

In each of several rings of its volume the material is a set of hysterons: one of half-width h
turns up at u + h and down at u - h, where u is the interaction field of its neighbours. For
hysterons of one h those with u below some border are up, and the border is the play operator of
the field: it follows H only when pushed, by H - h from below or H + h from above. So the whole
memory of a ring is one border for each h, and wiping-out and return-point memory come by
themselves (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518, from memory). With u spread by a
logistic law of scale s, those of one h give tanh(border / (2 s)). A reversible part, which
saturates as 1/H, is added.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np

from .field import Floats, Magnet
from .rings import disc_cells

#: Vacuum permeability, N/A^2 (CODATA 2022); the twin shares no constant with the analysis.
MU0 = 1.25663706127e-6
#: So far away that the magnet's field is nothing (m): where a sample goes that is taken off.
AWAY = 0.3
#: A ring's field is known when it is its own cause to within this, A/m.
CLOSE = 0.01


@dataclass(frozen=True)
class SampleMaterial:
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
    """The borders (rings, widths) after the field (rings,) went straight to a new value."""
    h = field[:, None]
    return np.clip(border, h - half_widths, h + half_widths)


def magnetisation(material: SampleMaterial, border: Floats, field: Floats) -> Floats:
    """M (A/m) in each ring for its borders (rings, widths) and internal field (rings,)."""
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


def susceptibility(material: SampleMaterial, border: Floats, pushed: Floats, field: Floats) -> Floats:
    """dM/dH at each ring; ``pushed`` (rings, widths) tells which borders the field is moving."""
    s = 2.0 * material.interaction
    turning = (pushed * (1.0 - np.tanh(border / s) ** 2)).mean(axis=1) / s
    rotating = material.reversible_field / (np.abs(field) + material.reversible_field) ** 2
    return material.saturation * ((1.0 - material.reversible) * turning + material.reversible * rotating)


class TwinSample:
    """A disc of a material over a magnet, with its memory.

    The disc's axis is the magnet's (up to ``offset``, m, along x). ``gap`` (m) is face to face;
    ``orientation`` +1 or -1 is the way the magnet's field points along the sample's own axis; while
    it is turned over, the cosine between (what lies across the axis magnetises nothing here).
    """

    def __init__(
        self, material: SampleMaterial, magnet: Magnet, diameter: float, height: float, offset: float = 0.0
    ) -> None:
        self.material = material
        self.magnet = magnet
        self.size = diameter, height
        self.volume = pi / 4 * diameter**2 * height
        self.demagnetising_factor = cylinder_demagnetising_factor(diameter, height)
        self.move_aside(offset)
        self.share, self.own = self.cells.share, self.cells.own
        self.half_widths = material.half_widths()
        rings = self.share.size
        self.border = np.zeros((rings, self.half_widths.size))
        self.applied = np.zeros(rings)
        self.internal = np.zeros(rings)
        self.gradient = np.zeros(rings)
        self.M = np.zeros(rings)
        self.gap = AWAY
        self.orientation = 1.0

    def move_aside(self, offset: float) -> None:
        """The disc's axis is that far (m) off the magnet's from now on."""
        diameter, height = self.size
        self.cells = disc_cells(diameter / 2, height, offset, round_magnet=self.magnet.shape != "block")

    def warm(self, magnet: Magnet, material: SampleMaterial) -> None:
        """Magnet and material at another temperature, where the sample is; what it remembers stays."""
        self.magnet, self.material = magnet, material
        self.half_widths = material.half_widths()
        self.follow(self.gap, self.orientation)

    def follow(self, gap: float, orientation: float) -> None:
        """Let the sample go straight to a gap. Away from the magnet the field is simply zero."""
        self.gap, self.orientation = gap, orientation
        if gap >= AWAY:
            self.gradient = np.zeros(self.share.size)
            self.expose(np.zeros(self.share.size))
            return
        cells = self.cells
        b, gradient = self.magnet.field(cells.x, cells.y, cells.z + gap)
        self.gradient = gradient.mean(axis=1)
        self.expose(orientation * b.mean(axis=1) / MU0)

    def travel(self, gap: float, orientation: float) -> None:
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
        """Set the applied field (A/m, along the sample's axis) at every ring.

        Each ring sees H = applied - own M, and M is its own cause: the root of H + own M(H) -
        applied is found by Newton's steps, halved while they do not come nearer.
        """
        before = self.border
        h = self.internal + (applied - self.applied)
        border, m, lack = self._lack(before, h, applied)
        for _ in range(60):
            size = float(np.abs(lack).max())
            if size < CLOSE:
                break
            chi = susceptibility(self.material, border, border != before, h)
            step = np.linalg.solve(np.eye(h.size) + self.own * chi, -lack)
            for _ in range(8):
                border, m, lack = self._lack(before, h + step, applied)
                if float(np.abs(lack).max()) < size:
                    break
                step = step / 2
            h = h + step
        self.applied, self.internal, self.border, self.M = applied, h, border, m

    def _lack(self, before: Floats, h: Floats, applied: Floats) -> tuple[Floats, Floats, Floats]:
        """Borders and M at an internal field, and by how much that field is not its own cause, A/m."""
        border = moved(before, h, self.half_widths)
        m = magnetisation(self.material, border, h)
        return border, m, h + self.own @ m - applied

    @property
    def mean_M(self) -> float:
        """M averaged over the volume, A/m."""
        return float(self.share @ self.M)

    @property
    def attraction(self) -> float:
        """Force between magnet and sample, N, positive when they attract."""
        return -self.orientation * self.volume * float(self.share @ (self.M * self.gradient))
