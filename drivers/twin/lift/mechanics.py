"""The lift's mechanics: motor, screw, nut and far-end switch, as they really are.

Positions in steps, 1600 to the millimetre, counted from the closest position, opening up.
"""

from __future__ import annotations

from dataclasses import dataclass, field

STEPS_PER_MM = 1600
#: Release edge of the far-end switch: Z 50.000.
HOME = 80_000


def steps_a_second(feed: int) -> float:
    """Of a feed in um/min."""
    return feed / 60_000 * STEPS_PER_MM


@dataclass(frozen=True)
class Mechanics:
    """The screw and the switch. Lengths in mm; ``pitch_error`` relative."""

    backlash: float = 0.0
    homing_scatter: float = 0.0
    pitch_error: float = 0.0
    start: float = 31.0


class Stage:
    """Where motor and stage really are, whatever the controller believes."""

    def __init__(self, mechanics: Mechanics) -> None:
        self.mechanics = mechanics
        self.motor = self.carriage = mechanics.start * STEPS_PER_MM
        self.stuck = False
        self.switch_forced: bool | None = None

    @property
    def height(self) -> float:
        """True height above the closest position, m."""
        return self.carriage / STEPS_PER_MM * 1e-3 * (1.0 + self.mechanics.pitch_error)

    @property
    def pressed(self) -> bool:
        """The far-end switch, met by the stage itself; ``switch_forced`` is a broken one."""
        return self.carriage >= HOME if self.switch_forced is None else self.switch_forced

    def turn(self, steps: float) -> None:
        """The motor turns; the stage follows unless it is stuck.

        The nut has play: closing, the motor pushes the stage; opening, it first takes up the play.
        """
        if self.stuck:
            return
        self.motor += steps
        play = self.mechanics.backlash * STEPS_PER_MM
        self.carriage = min(max(self.carriage, self.motor - play), self.motor)


@dataclass
class Leg:
    """One straight stretch of a motion: up to ``to`` steps at ``speed``, or until the switch says so."""

    to: float
    speed: float
    until: str = "there"  # there | pressed | released


@dataclass
class Motion:
    """What the lift is about: the line it answers, the stretches left, and how it shall end."""

    number: int
    legs: list[Leg] = field(default_factory=list)
    dwell: float = 0.0
