"""What every device at the far end of a serial port has: a state, faults, and a listener."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from ..analysis.errors import WeighloopError


class DeviceState(StrEnum):
    """The one state a device is in; the way is absent - opening - ready - silent or lost - opening."""

    ABSENT = "absent"  # nothing under that name; looked for again and again
    OPENING = "opening"
    IDENTIFYING = "identifying"
    READY = "ready"
    SILENT = "silent"  # open, but nothing sensible heard for two expected intervals
    LOST = "lost"  # unplugged or failed; opened again after a growing wait
    FAULT = "fault"  # needs a person


class DeviceError(WeighloopError):
    """Something a device did or did not do; the message is for a person."""


class DeviceLost(DeviceError):
    """The port is gone or failed; the only error an operating-system error becomes."""


class DeviceTimeout(DeviceError):
    """No answer before the deadline."""


class DeviceRefused(DeviceError):
    """The device answered, and the answer was no."""


@dataclass(frozen=True, slots=True)
class BalanceReading:
    """One line of a balance, understood.

    ``time`` (s, the clock's) is the arrival of the line's last byte; of lines that were read in one
    go the earlier ones are dated back by the balance's usual interval. ``value`` in kg is None where
    the balance shows no number (overload, underload). ``mark`` is the balance's own opinion: evidence,
    never proof.
    """

    time: float
    value: float | None
    mark: str | None  # "steady", "unsteady", "overload", "underload", or None: says nothing
    raw: bytes
    sequence: int | None = None


class BalanceListener(Protocol):
    """Who hears a balance. Called from the port's own thread: return quickly, never block."""

    def reading(self, reading: BalanceReading) -> None:
        """A line that matched wholly."""
        ...

    def refused(self, time: float, raw: bytes, why: str) -> None:
        """A line that did not match: counted and kept, never guessed."""
        ...

    def state(self, state: DeviceState, why: str) -> None:
        """The device changed state."""
        ...
