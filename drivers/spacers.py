"""Spacers set by hand, as a gap setter: the person is the actuator.

The person is asked for a number of spacers *between* the closest position and the sample, and the call
waits until ``done`` says that they are set. Heights are whole numbers of spacers.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

from .device import DeviceError, DeviceRefused, DeviceState
from .gap_setter import GapPosition, GapSetterListener

#: How far a height may be from a whole number of spacers, in spacers, and still mean it.
WHOLE = 0.01


class ManualSpacers:
    """A stack of ``count`` spacers of ``thickness`` (m), set by a person.

    ``ask(n)`` tells the person to set n spacers; it raises (a DeviceError) when they will not. It is
    called from the thread that asked for the move, which then waits until ``done`` or ``stop``.
    """

    kind = "spacers"

    def __init__(
        self,
        thickness: float,
        count: int,
        ask: Callable[[int], None],
        listener: GapSetterListener | None = None,
    ) -> None:
        if not (math.isfinite(thickness) and thickness > 0 and count >= 1):
            raise ValueError(
                f"spacers: {count} of {thickness * 1e3:g} mm; at least one, thicker than nothing, is needed"
            )
        self.thickness, self.count = thickness, count
        self._ask, self._listener = ask, listener
        self._changed = threading.Condition()
        self._set: int | None = None
        self._asked: int | None = None  # being set now
        self._done = False
        self._epoch = 0
        self._tell_state(DeviceState.READY, "spacers are set by hand")

    @property
    def travel(self) -> float:
        """Height of the far end, m."""
        return self.count * self.thickness

    def establish(self) -> GapPosition:
        """All spacers in: the far end."""
        return self._go(self.count)

    def approach(self, height: float) -> GapPosition:
        """Set the whole number of spacers that makes ``height`` (m); refuses any other height."""
        number = height / self.thickness if math.isfinite(height) else math.nan
        if not (-WHOLE <= number <= self.count + WHOLE and abs(number - round(number)) <= WHOLE):
            raise DeviceRefused(
                f"height {height * 1e3:g} mm is not a whole number, 0 to {self.count}, "
                f"of spacers of {self.thickness * 1e3:g} mm"
            )
        return self._go(round(number))

    def retreat(self) -> GapPosition:
        """All spacers in."""
        return self._go(self.count)

    def done(self) -> None:
        """The person has set what was asked for; from any thread. Nothing where nothing is asked for."""
        with self._changed:
            self._done = self._asked is not None
            self._changed.notify_all()

    def stop(self) -> None:
        """Whatever is being set now does not count any more: the number is unknown until set again."""
        with self._changed:
            self._epoch += 1
            if self._asked is not None:
                self._set = None
            self._changed.notify_all()

    def where(self) -> GapPosition:
        """The number last set, as a height."""
        with self._changed:
            known = self._set is not None and self._asked is None
            height = self._set * self.thickness if self._set is not None else math.nan
            return GapPosition(height, known=known, moving=self._asked is not None)

    def close(self) -> None:
        """Nothing to release, but whoever waits is released."""
        self.stop()

    def _go(self, number: int) -> GapPosition:
        with self._changed:
            if self._asked is not None:
                raise DeviceRefused(f"{self._asked} spacers are being set already")
            self._asked, self._done, epoch = number, False, self._epoch
        done = False
        try:
            self._ask(number)
            with self._changed:
                self._changed.wait_for(lambda: self._done or self._epoch != epoch)
                done = self._done
        finally:
            with self._changed:
                self._asked = None
                # A person interrupted half-way may have set anything.
                self._set = number if done and self._epoch == epoch else None
                stopped = self._epoch != epoch
        if stopped:
            raise DeviceError(f"setting {number} spacers was stopped: set them again")
        position = self.where()
        if self._listener is not None:
            self._listener.position(position)
        return position

    def _tell_state(self, state: DeviceState, why: str) -> None:
        if self._listener is not None:
            self._listener.state(state, why)
