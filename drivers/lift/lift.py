"""A motorised lift behind a serial port, as a gap setter (hardware_notes/lift_protocol.md).

A lift moves, so it is trusted less than a balance: after a reset, a halt, a lost port, an answer of
another session or a position that is not the one asked for, its position is void and every move
raises until ``establish`` has homed it again.
"""

from __future__ import annotations

import math
import threading

from ..clock import Clock
from ..device import DeviceRefused, DeviceState
from ..gap_setter import GapPosition, GapSetterListener
from ..serial.port import Deadline
from . import frames as words
from .link import LiftLink, PositionVoid

__all__ = ["PositionVoid", "SerialLift"]

#: Longest wait for a lift to answer at all before homing, s by the clock.
SESSION_DEADLINE = 15.0
#: Longest homing, s: 55 mm at 1 mm/s, twice.
HOMING_DEADLINE = 120.0
#: How far (mm) a position may be from the target: one step (1/1600 mm) and the rounding to 0.001.
TOLERANCE = 0.0016


class SerialLift:
    """One lift. Heights are in m above the closest position.

    ``travel`` is the far end, ``floor`` the lowest height allowed, ``speed`` in m/s (0.02 to 2 mm/s).
    ``take_up`` (m) is 0 for a screw without backlash (preloaded nut): plain monotone moves both
    ways. Above 0 every height is reached closing: exact on the closing branch and never past the
    target toward stronger field, but an opening move goes ``take_up`` past it toward weaker field
    and comes back, so it should be just above the backlash.
    """

    kind = "lift"

    def __init__(
        self,
        port: str,
        listener: GapSetterListener,
        clock: Clock,
        *,
        travel: float,
        floor: float = 0.0,
        speed: float = 2e-3,
        take_up: float = 0.0,
    ) -> None:
        reach = (words.HIGHEST - take_up * 1e3) * 1e-3
        if not 0 <= floor < travel <= reach + 1e-9:
            raise ValueError(
                f"lift: travel {travel * 1e3:g} mm and floor {floor * 1e3:g} mm must satisfy "
                f"0 <= floor < travel <= {reach * 1e3:g} mm"
            )
        feed = speed * 60e3
        if not words.FEED[0] <= feed <= words.FEED[1] + 1e-9:
            raise ValueError(f"lift: speed {speed * 1e3:g} mm/s is outside 0.02 to 2 mm/s")
        if not 0 <= take_up * 1e3 <= words.LARGEST_TAKE_UP:
            raise ValueError(f"lift: take-up {take_up * 1e3:g} mm is outside 0 to {words.LARGEST_TAKE_UP} mm")
        self.port, self.travel, self.floor, self.take_up = port, travel, floor, take_up
        self.lost_steps: int | None = None  # by the last homing: how wrong the old position was
        self.lost_height = 0.0  # the same in m
        self._feed, self._clock = feed, clock
        self._moving = threading.Lock()  # one motion at a time
        self._link = LiftLink(port, listener, clock, floor)

    @property
    def state(self) -> DeviceState:
        """The state last told to the listener; ``why`` says why."""
        return self._link.state

    @property
    def why(self) -> str:
        """The state's reason, in words."""
        return self._link.why

    @property
    def last_heard(self) -> float | None:
        """When the lift last said something intact, s by the clock."""
        return self._link.last_heard

    @property
    def lines(self) -> int:
        """Intact lines heard."""
        return self._link.lines

    @property
    def refused(self) -> int:
        """Damaged lines heard."""
        return self._link.refused

    # ---- the gap setter's calls ----

    def establish(self) -> GapPosition:
        """Home, then go to the far end. Opens the gap first: a branch under way is spoilt by it."""
        with _OneMotion(self._moving):
            self._link.wait_for_session(Deadline(self._clock, SESSION_DEADLINE, least=2.0))
            self._link.bring_to_rest(Deadline(self._clock, SESSION_DEADLINE, least=2.0))
            epoch = self._link.epoch
            self._link.command(
                "M999", epoch, refusal="the stop button is pressed: release it, then try again"
            )
            self._link.command("M17", epoch)
            with self._link.homing():
                number, _ = self._link.command("G28", epoch)
                ended = self._link.wait(number, HOMING_DEADLINE, epoch)
                result = int(ended.words.get("R", -1))
                if result != 0 or not ended.homed:
                    why = f"homing failed: {words.RESULTS.get(result, f'result {result}')}"
                    self._link.void(DeviceState.FAULT, why)
                    raise DeviceRefused(why)
                self._link.establish(epoch)
            self.lost_steps = int(ended.words.get("E", 0))
            steps = ended.words.get("S", 0.0)
            self.lost_height = self.lost_steps * (ended.height or 0.0) / steps if steps else 0.0
            if abs(self.travel * 1e3 - words.HOME) > TOLERANCE:
                return self._go(self.travel)
            return self._link.say(ended)

    def approach(self, height: float) -> GapPosition:
        """Go to ``height`` and stand there. See the class about the side it is reached from."""
        if not (math.isfinite(height) and self.floor - 1e-9 <= height <= self.travel + 1e-9):
            raise DeviceRefused(
                f"height {height * 1e3:g} mm is outside the lift's "
                f"{self.floor * 1e3:g} to {self.travel * 1e3:g} mm"
            )
        with _OneMotion(self._moving):
            return self._go(height)

    def retreat(self) -> GapPosition:
        """Go to the far end."""
        return self.approach(self.travel)

    def stop(self) -> None:
        """Halt at once, from any thread. The position is void; a move under way raises."""
        try:
            self._link.send_byte(words.STOP)
        finally:
            self._link.void(DeviceState.FAULT, "stopped by request: the position is void until established")

    def hold(self) -> None:
        """Ramp down, from any thread. The position is kept; the move under way raises."""
        self._link.send_byte(words.HOLD)

    def where(self) -> GapPosition:
        """Ask for the position; works while another thread waits for a move."""
        _, reply = self._link.command("M114", self._link.epoch)
        self._link.check_still_known(reply)
        return self._link.say(reply)

    def close(self) -> None:
        """Let go of the port."""
        self._link.close()

    # ---- motion ----

    def _go(self, height: float) -> GapPosition:
        target = round(height * 1e3, 3)
        epoch = self._link.known_epoch()
        z, feed = words.decimal(target), words.decimal(self._feed)
        if self.take_up > 0:
            text = f"G60 Z{z} F{feed} R{words.decimal(self.take_up * 1e3)}"
        else:
            text = f"G1 Z{z} F{feed}"
        number, begun = self._link.command(text, epoch)
        if abs(begun.words.get("Z", math.inf) - target) > 1e-6:
            self._link.give_up(f"the lift understood {begun.text!r} for {text!r}")
        longest = (words.HIGHEST + 2 * words.LARGEST_TAKE_UP) / self._feed * 60 * 1.5 + 10
        ended = self._link.wait(number, longest, epoch)
        result = int(ended.words.get("R", -1))
        position = self._link.say(ended)
        if result in (1, 5):
            raise DeviceRefused(f"the move to {target:g} mm was {words.RESULTS[result]}")
        if result != 0:
            self._link.give_up(f"the move to {target:g} mm: {words.RESULTS.get(result, f'result {result}')}")
        if not ended.homed or abs(ended.words.get("Z", math.inf) - target) > TOLERANCE:
            self._link.give_up(f"the lift was sent to {target:g} mm and says {ended.text!r}")
        return position


class _OneMotion:
    """Only one motion at a time; a second caller is told instead of queued."""

    def __init__(self, lock: threading.Lock) -> None:
        self._lock = lock

    def __enter__(self) -> None:
        if not self._lock.acquire(blocking=False):
            raise DeviceRefused("the lift is moving already")

    def __exit__(self, *_: object) -> None:
        self._lock.release()
