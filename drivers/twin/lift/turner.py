"""The turner of the lift: a rod that turns the sample over, its disc and slotted switch, its controller.

Angles in steps, 3200 to the turn, always the same way round. Written from the lift protocol page
(section 6) and the turner's own, not from the host's driver.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi

import numpy as np

TURN, HALF = 3200, 1600
SLOT, MARK = 32, 128  # light at 0 and at 180 degrees; the wide slot before the one at 0
MARK_TO_SLOT = 256
PAST_EDGE = 8  # how far past a slot's leading edge the rod rests
MOST_SLIP = 64
SEARCH = 3600
RATE = 1000 / 3  # steps/s
BUILT_IN_UM = 45_000  # it never turns below that height


@dataclass(frozen=True)
class TurnerMechanics:
    """The turner as it is. ``eccentricity``: the sample's middle off the rod's axis, m, up at 0 degrees.

    ``play`` (m) is how much higher or lower the rod comes to rest from turn to turn (standard deviation);
    ``slips`` the chance that the motor loses four full steps during a turn.
    """

    eccentricity: float = 0.0
    play: float = 0.0
    slips: float = 0.0


class TwinTurner:
    """Rod and disc as they really are, and the controller's account of them. None is fitted by default."""

    def __init__(self, mechanics: TurnerMechanics | None, rng: np.random.Generator) -> None:
        self.fitted = mechanics is not None
        self.mechanics = mechanics or TurnerMechanics()
        self.rng = rng
        self.rod = PAST_EDGE  # how the person left it
        self.stuck = False
        self.light_forced: bool | None = None  # a broken switch
        self.losing = 0  # steps still to be lost
        self.rocked = 0.0  # m
        self.boot()

    def boot(self) -> None:
        """The controller forgets; the rod stays where it is."""
        self.known = self.turned = False
        self.task = ""  # "" | find | over (to 180) | back (to 0)
        self.slip = self.searched = self.to_rest = 0
        self.since_edge: int | None = None
        self.marked = False
        self.lowest_um = BUILT_IN_UM
        self._due = 0.0

    # -- how it really is ---------------------------------------------------------------------

    @property
    def cosine(self) -> float:
        """Of the rod's angle from its upright rest."""
        return cos(2 * pi * ((self.rod - PAST_EDGE) % TURN) / TURN)

    @property
    def angle(self) -> float:
        """Of the rod from its upright rest, degrees, 0 to 360."""
        return 360 * (self.rod - PAST_EDGE) / TURN % 360

    @property
    def shift(self) -> float:
        """By how much the sample stands higher than on the rod's axis, m."""
        return self.mechanics.eccentricity * self.cosine + self.rocked if self.fitted else 0.0

    @property
    def light(self) -> bool:
        """Whether light passes the disc."""
        if self.light_forced is not None:
            return self.light_forced
        angle = self.rod % TURN
        return angle % HALF < SLOT or 0 <= angle - (TURN - MARK_TO_SLOT) < MARK

    # -- what the controller makes of it ------------------------------------------------------

    @property
    def at_end(self) -> bool:
        """The angle is known and light passes."""
        return self.known and self.light

    @property
    def between(self) -> bool:
        """There is one, and it does not stand at an end: the stage must not close."""
        return self.fitted and not self.at_end

    @property
    def words(self) -> str:
        """What replies say of the angle, with a blank before."""
        if not self.fitted:
            return ""
        return (f" A{180 * self.turned}.000" if self.at_end else " A?") + f" Q{self.slip}"

    def void(self) -> None:
        """Stand still; the angle is not known."""
        self.known, self.task = False, ""

    def begin(self, task: str) -> None:
        """Start to ``find`` the angle, or to turn ``over`` or ``back``."""
        if task != "find":
            if not self.known or (task == "over") == self.turned:
                return
            self.since_edge = PAST_EDGE
            if self.rng.random() < self.mechanics.slips:
                self.losing = 64
        else:
            self.since_edge = None
        self.known, self.task, self.slip, self.searched, self.to_rest = False, task, 0, 0, 0
        self.marked, self._lit = False, True

    def step(self, dt: float, high_enough: bool) -> None:
        """Pass ``dt`` seconds."""
        if not self.light and not self.task:
            self.known = False
        self._due += RATE * dt if self.task else -self._due
        while self._due >= 1.0 and self.task:
            self._due -= 1.0
            if not high_enough:
                self.void()
            else:
                self._one_step()

    def _one_step(self) -> None:
        if not self.stuck and not self.losing:
            self.rod += 1
        self.losing = max(0, self.losing - 1)
        self.searched += 1
        if self.since_edge is not None:
            self.since_edge += 1
        lit, before, self._lit = self.light, self._lit, self.light
        if self.to_rest:
            self.to_rest -= 1
            if not self.to_rest:
                self.task, self.known = "", lit
                self.rocked = float(self.rng.normal(0.0, self.mechanics.play))
        elif lit and not before:
            self._edge()
        elif self.searched > SEARCH or (
            self.task != "find" and (self.since_edge or 0) > self._wanted + MOST_SLIP
        ):
            self.void()

    @property
    def _wanted(self) -> int:
        """Steps from the last leading edge to the one that is due."""
        if self.task == "over":
            return HALF
        return HALF - MARK_TO_SLOT if self.task == "back" and not self.marked else MARK_TO_SLOT

    def _edge(self) -> None:
        off = None if self.since_edge is None else self.since_edge - self._wanted
        self.since_edge = 0
        if off is None or abs(off) > MOST_SLIP:
            if self.task != "find":
                self.void()
            return
        self.slip += off
        if self.task == "back" and not self.marked:
            self.marked = True
        else:
            self.turned = self.task == "over"
            self.to_rest = PAST_EDGE
