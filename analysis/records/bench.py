"""The bench as the analysis sees it: frozen records in SI, read from a bench file by ``bench_file``."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import ClassVar, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..units import Measured
from .arrays import Floats

MagnetShape = Literal["cylinder", "block", "ring"]
Height = TypeVar("Height", float, Floats)
SampleShape = Literal["cylinder", "block", "sphere", "spheroid"]
Ladder = Literal["lift", "spacers"]
Attraction = Literal["lighter", "heavier"]


@dataclass(frozen=True)
class ReferenceMagnet:
    """The reference magnet, magnetised along z, its near face at z = 0, body below.

    Lengths in m, remanence in T. A cylinder uses ``diameter`` and ``height``, a block
    ``length``, ``width`` and ``height``, a ring ``outer_diameter``, ``inner_diameter`` and
    ``height``; what a shape does not use is None.
    """

    shape: MagnetShape
    height: Measured
    remanence: Measured
    diameter: Measured | None = None
    length: Measured | None = None
    width: Measured | None = None
    outer_diameter: Measured | None = None
    inner_diameter: Measured | None = None
    #: Recoil permeability (relative) and temperature coefficient of the remanence (1/K):
    #: sintered NdFeB, 1.05 and -0.11 %/K (makers' data sheets for N grades; common practice).
    recoil_permeability: Measured = Measured(1.05, 0.02)
    temperature_coefficient: Measured = Measured(-0.0011, 0.0001)
    #: By how much of the mean remanence the core (0.6 of the radius) is stronger than the rim: sintered
    #: magnets are uneven by some per cent (common practice, no source).
    core_excess: Measured = Measured(0.0, 0.03)
    #: Correlation of remanence and contact gap, as a calibration found it.
    remanence_contact_correlation: float = 0.0
    #: Mass of what stands on the pan (magnet and riser), kg: limits the pull.
    pan_load: Measured | None = None


@dataclass(frozen=True)
class Sample:
    """The sample, magnetised along z. Lengths in m, mass in kg.

    ``height`` is the size along z. A cylinder uses ``diameter``; a block ``length`` and
    ``width``; a sphere ``diameter`` only (height equals it); a spheroid ``diameter``
    (equatorial) and ``height`` (polar axis, along z).
    """

    name: str
    shape: SampleShape
    height: Measured
    diameter: Measured | None = None
    length: Measured | None = None
    width: Measured | None = None
    mass: Measured | None = None
    #: Lateral offset of the sample's axis from the magnet's (standard uncertainty, m).
    offset: Measured = Measured(0.0, 0.3e-3)


@dataclass(frozen=True)
class Turner:
    """What turns the sample over on the lift (hardware_notes/turner.md)."""

    #: Lowest height above the closest position where it may turn, m.
    turning_height: float = 45e-3
    #: How far the sample's middle stands above the rod's axis at 0 degrees, and so below it at 180, m.
    eccentricity: Measured = Measured(0.0, 0.05e-3)


@dataclass(frozen=True)
class Gap:
    """Face to face, reference magnet to sample, in m: gap = contact + spacers x spacer, or contact +
    scale x height of a lift."""

    contact: Measured
    ladder: Ladder = "lift"
    spacer: Measured | None = None
    spacers: int | None = None
    #: Mass of one spacer, kg, for telling a forgotten re-zero; None when not given.
    spacer_mass: float | None = None
    #: Travel of the lift above the closest position, m.
    travel: float = 49e-3
    #: Play of the lift's nut, m, taken up from the far side; 0 for a preloaded nut.
    take_up: float = 0.0
    #: True travel of the lift by the travel it reports: a screw's pitch (common practice, no source).
    scale: Measured = Measured(1.0, 0.005)
    #: None where the sample is turned over by hand.
    turner: Turner | None = None

    def at_height(self, height: Height) -> Height:
        """The gap (m) at a height above the closest position (m): of a lift as it reports it."""
        return self.contact.value + (self.scale.value if self.ladder == "lift" else 1.0) * height

    def of_sample(self, gap: Floats, orientation: Floats | NDArray[np.int64]) -> Floats:
        """Where the sample really stands (m) at a ``gap`` of the rod's axis: a turner holds it off that axis,
        upright with orientation +1."""
        return gap if self.turner is None else gap + orientation * self.turner.eccentricity.value


@dataclass(frozen=True)
class Balance:
    """The balance: resolution and capacity in kg."""

    resolution: float
    capacity: float
    port: str = ""
    dialect: str = "status-line"
    attraction: Attraction = "lighter"


@dataclass(frozen=True)
class Site:
    """Where the bench stands. Latitude in rad, altitude in m, temperature in K.

    The defaults are 45 degrees, sea level, 20 degrees Celsius: each costs accuracy
    (gravity differs by up to 0.3 %), so the figures carry it as uncertainty.
    """

    latitude: Measured = Measured(0.7853981633974483, 0.35)
    altitude: Measured = Measured(0.0, 200.0)
    temperature: Measured = Measured(293.15, 3.0)


@dataclass(frozen=True)
class Coil:
    """A coil for the sample's place, wound evenly over a rectangular section about the sample's axis.

    Lengths in m, to the middle of the outermost wires: ``inner_diameter`` and ``outer_diameter`` (equal for
    one layer), ``height`` along z, ``rise`` from the coil's lower face to the lowest turn. ``thickness`` is
    the whole coil's along z, for one that is weighed both ends up: the mean of the two rises is then known
    by it. ``turn_area`` is turns times area (m²) where it was measured electrically, None: from the sizes.
    ``current_gain`` is true current by stated, ``resistance`` that at 20 degrees Celsius in ohm.
    """

    turns: int
    inner_diameter: Measured
    outer_diameter: Measured
    height: Measured
    rise: Measured = Measured(0.0, 0.03e-3)
    thickness: Measured | None = None
    turn_area: Measured | None = None
    current_gain: Measured = Measured(1.0, 0.0005)
    resistance: Measured | None = None


@dataclass(frozen=True)
class CurrentSupply:
    """What switches the coil's current: ``shunt`` in ohm, and the largest current it allows in A."""

    shunt: float = 47.0
    largest_current: float = 55e-3
    #: The coil's ``current_gain`` unless stated, by the budget in hardware_notes/current_source.md.
    CURRENT_GAIN: ClassVar[Measured] = Measured(1.0, 0.0015)


@dataclass(frozen=True)
class JointCalibration:
    """How the bench's inputs, as stated, belong together: the outcome of one fit of all of them.

    ``inputs`` (p) are places in the bench ("gap.contact"), ``correlation`` (p, p) of their stated values.
    ``date`` and ``expires`` as ISO 8601 writes them, ``temperature`` in K.
    """

    inputs: tuple[str, ...]
    correlation: tuple[tuple[float, ...], ...]
    date: str
    expires: str
    temperature: float
    by: tuple[str, ...] = ()

    def expired(self, today: datetime.date) -> str | None:
        """In words, where it has; else None."""
        if today.isoformat() <= self.expires:
            return None
        return f"the calibration of {self.date} expired on {self.expires}: calibrate again"


@dataclass(frozen=True)
class Bench:
    """One bench file, whole."""

    reference_magnet: ReferenceMagnet
    sample: Sample
    gap: Gap
    balance: Balance
    site: Site = field(default_factory=Site)
    lift_port: str | None = None
    #: None where a person switches the coil's current.
    current_source: CurrentSupply | None = None
    coil: Coil | None = None
    calibration: JointCalibration | None = None
    #: The text the bench was read from, kept with every run.
    source_text: str = ""
