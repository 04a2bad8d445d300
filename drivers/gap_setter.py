"""The one interface for setting the gap: a motorised lift, or a person with spacers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from .device import DeviceState


@dataclass(frozen=True)
class GapPosition:
    """Where the sample is: ``height`` in m above the closest position (gap = contact + height).

    ``known`` is False after a reset, a lost position or before homing. ``telemetry`` holds what
    the device also measures (``temperature_K``, ``hall_V``, ``vibration_V``), by name.
    ``orientation`` is +1 or -1 where a turner holds the sample and its switch has confirmed the
    angle, else None.
    """

    height: float
    known: bool
    moving: bool = False
    telemetry: dict[str, float] | None = None
    orientation: int | None = None


class GapSetterListener(Protocol):
    """Who hears of the gap setter. Called from its own thread: return quickly, never block."""

    def position(self, position: GapPosition) -> None:
        """The device stands at, or passes, a position."""
        ...

    def state(self, state: DeviceState, why: str) -> None:
        """The device changed state; LOST or FAULT mean that the position is void."""
        ...


class GapSetter(Protocol):
    """Moves the sample. Every call blocks its thread until done or until its deadline.

    Raises DeviceError (or a kind of it) when the move did not surely happen.
    """

    #: "lift" or "spacers"
    kind: str

    def establish(self) -> GapPosition:
        """Find the position again at the far end (home). The branch under way is spoilt by it."""
        ...

    def approach(self, height: float) -> GapPosition:
        """Go to ``height`` from the side it is on, never past it toward stronger field."""
        ...

    def retreat(self) -> GapPosition:
        """Go to the far end."""
        ...

    def stop(self) -> None:
        """Stop at once; may be called from any thread. The position may be void afterwards."""
        ...

    def where(self) -> GapPosition:
        """Ask for the position."""
        ...

    def close(self) -> None:
        """Release the port."""
        ...
