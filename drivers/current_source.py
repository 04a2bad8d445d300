"""A source of known current for a coil in the sample's place: on, reversed, off, and what really flows.

A calibration does

    source.set_current(1)                       # + ; returns when that current has been seen to flow
    began = clock.now()
    ...                                         # weigh the coil
    measured = source.measured_current(began)   # its mean since then, as the shunt has it
    source.set_current(-1)
    ...
    source.set_current(0)

A source goes off by itself too (its time is over, too large a current, a motion, a halt, a silent host). From
then on ``measured_current`` raises CurrentLost and says why, so no reading is taken for one under a current
that did not flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from .device import DeviceError


class CurrentLost(DeviceError):
    """The current is not, or not all the time, the one that was set; the message says why."""


@dataclass(frozen=True, slots=True)
class MeasuredCurrent:
    """The mean ``value`` (A, with its sign) over ``began`` to ``ended`` (s, the clock's).

    ``u`` is the mean's standard uncertainty by its scatter and the converter's step; what is not known of
    shunt and reference is the coil's ``current_gain``. ``resistance`` (ohm) is the coil's, leads included,
    None where its voltage is not measured.
    """

    value: float
    u: float
    began: float
    ended: float
    resistance: float | None = None


class CurrentSource(Protocol):
    """Switches a coil's current. Calls block until done and raise DeviceError (or a kind of it)."""

    @property
    def direction(self) -> int:
        """How the current is switched, as last heard: +1, -1, or 0: off."""
        ...

    @property
    def why_off(self) -> str:
        """Why it went off by itself; empty where it did not."""
        ...

    def set_current(self, direction: int, seconds: float = 300.0) -> None:
        """Switch it to ``direction`` (+1, -1; 0: off) for at most ``seconds``, which begin again.

        Only at rest: a motion switches it off. Raises DeviceRefused where the source will not, and
        CurrentLost where none, or another, is seen to flow: it is off then.
        """
        ...

    def measured_current(self, since: float | None = None) -> MeasuredCurrent:
        """The mean since the time ``since`` (s, the clock's), at the earliest since it was last set.

        Waits for the first whole measurement of that time. Raises CurrentLost where it is off.
        """
        ...
