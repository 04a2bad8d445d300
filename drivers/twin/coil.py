"""A coil in the sample's place: its pull on the magnet, and how its current warms it.

Each turn is a small current loop; its potential energy is minus the current times the flux through it, so it
is attracted by the current times the fall of that flux with height: the fall of the magnet's field, averaged
over the turn's disc. The field is that of the magnet's charged faces (``field``), no mutual inductance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .field import Floats, Magnet

#: Copper by kelvin: resistance, and length (IEC 60028).
RESISTANCE_PER_KELVIN, LENGTH_PER_KELVIN = 0.00393, 17e-6
#: Nodes over the winding's section, and over a turn's disc: its radius, and half way round.
SECTION, DISC, ROUND = 4, 4, 6


@dataclass(frozen=True)
class CoilMaker:
    """A coil as it really is. Lengths in m, to the middle of the outermost wires.

    ``turn_area`` is turns times area (m²) at 20 degrees Celsius, ``resistance`` (ohm) likewise, with
    the leads; ``rise`` the lowest turn above the lower face with end +1 down, ``thickness`` the
    whole coil's. 1 W warms it by ``warming`` K after several ``warms_in`` s.
    """

    inner_diameter: float
    outer_diameter: float
    height: float
    rise: float
    thickness: float
    turn_area: float
    resistance: float
    warming: float = 650.0
    warms_in: float = 60.0


class TwinCoil:
    """The coil in a hand or on the holder; ``end`` +1 or -1 was put down."""

    def __init__(self, maker: CoilMaker, magnet: Magnet, offset: float, room: float) -> None:
        """``offset`` (m, along x): how far its axis is off the magnet's; ``room`` in K."""
        self.maker, self.magnet, self.offset, self.room = maker, magnet, offset, room
        self.on, self.end = False, 1
        self.warmth = 0.0  # K above the room
        self.broken = False  # a lead
        self._gradient: tuple[tuple[float, int], float] = ((np.nan, 0), 0.0)

    @property
    def above_20(self) -> float:
        """K above 20 degrees Celsius."""
        return self.room - 293.15 + self.warmth

    @property
    def resistance(self) -> float:
        """Ohm, now."""
        if self.broken:
            return float("inf")
        return self.maker.resistance * (1.0 + RESISTANCE_PER_KELVIN * self.above_20)

    def carry(self, current: float, dt: float) -> None:
        """A current (A) for ``dt`` seconds, or none."""
        power = current**2 * self.resistance if current else 0.0
        self.warmth += (self.maker.warming * power - self.warmth) * min(1.0, dt / self.maker.warms_in)

    def move_aside(self, offset: float) -> None:
        """Its axis is that far (m) off the magnet's from now on."""
        self.offset = offset
        self._gradient = ((np.nan, 0), 0.0)

    def gradient(self, gap: float, end: int) -> float:
        """-dBz/dz (T/m) over the turns, weighted by their area, at a gap (m) of the face that is down."""
        if self._gradient[0] != (gap, end):
            self._gradient = ((gap, end), self._averaged(gap, end))
        return self._gradient[1]

    def _averaged(self, gap: float, end: int) -> float:
        m = self.maker
        rise = m.rise if end > 0 else m.thickness - m.height - m.rise
        nodes, weights = np.polynomial.legendre.leggauss(SECTION)
        mid, half = (m.outer_diameter + m.inner_diameter) / 4, (m.outer_diameter - m.inner_diameter) / 4
        turn = mid + half * nodes
        by_turn = weights * turn**2
        z = gap + rise + m.height * (nodes + 1) / 2
        disc, by_disc = np.polynomial.legendre.leggauss(DISC)
        rho = turn[:, None] * np.sqrt((disc + 1) / 2)
        angle = (np.arange(ROUND) + 0.5) * np.pi / ROUND  # the other half is its mirror image
        x: Floats = self.offset + rho[:, :, None] * np.cos(angle)
        y: Floats = rho[:, :, None] * np.sin(angle)
        shape = (SECTION, *x.shape)  # height, turn, disc, angle
        slope = self.magnet.field(
            np.broadcast_to(x, shape),
            np.broadcast_to(y, shape),
            np.broadcast_to(z[:, None, None, None], shape),
        )[1]
        mean = np.einsum("htda,h,t,d->", slope, weights, by_turn, by_disc) / (
            weights.sum() * by_turn.sum() * by_disc.sum() * ROUND
        )
        return -float(mean)

    def attraction(self, gap: float, current: float, end: int) -> float:
        """Force between both, N, positive when they attract; the other end down it is the other way."""
        if not current:
            return 0.0
        area = self.maker.turn_area * (1.0 + 2.0 * LENGTH_PER_KELVIN * self.above_20)
        return end * current * area * self.gradient(gap, end)
