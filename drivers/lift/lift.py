"""A motorised lift behind a serial port, as a gap setter (hardware_notes/lift_protocol.md).

A lift moves, so it is trusted less than a balance: after a reset, a halt, a lost port, an answer of
another session or a position that is not the one asked for, its position is void and every move
raises until ``establish`` has homed it again.
"""

from __future__ import annotations

import math
import threading
from contextlib import suppress

from ..clock import Clock
from ..device import DeviceRefused, DeviceState
from ..gap_setter import GapPosition, GapSetterListener
from ..serial.port import Deadline
from . import frames as words
from .current import LiftCurrentSource
from .link import LiftLink, PositionVoid

__all__ = ["PositionVoid", "SerialLift"]

#: Longest wait for a lift to answer at all before homing, s by the clock.
SESSION_DEADLINE = 15.0
#: Longest homing: seconds for each millimetre of travel, at no less than 1 mm/s, and for the turner's search.
HOMING_DEADLINE = (2.4, 20.0)
#: Longest half turn, s: it takes 5.
TURNING_DEADLINE = 30.0
#: How far (mm) a position may be from the target: one step (1/1600 mm) and the rounding to 0.001.
TOLERANCE = 0.0016


class SerialLift:
    """One lift. Heights are in m above the closest position.

    ``travel`` is the far end, ``floor`` the lowest height allowed, ``speed`` in m/s (0.02 to 4 mm/s),
    or what the controller goes at most.
    ``take_up`` (m) is 0 for a screw without backlash (preloaded nut): plain monotone moves both
    ways. Above 0 every height is reached closing: exact on the closing branch and never past the
    target toward stronger field, but an opening move goes ``take_up`` past it toward weaker field
    and comes back, so it should be just above the backlash.

    A lift with a turner (axis A, hardware_notes/turner.md) has ``turning_height`` (m): it turns the
    sample over only at and above that height, by ``turn``, and never closes while the sample stands
    between its two ways. ``orientation`` is what the turner's own switch has confirmed. A procedure does

        lift.establish()            # home: up, seen by the far-end switch; ``lost_steps`` of the passage
        position = lift.turn(-1)    # 5 s; raises where it did not surely happen
        assert position.orientation == -1
        lift.turn(1)                # and again, as long as nothing has closed since

    With a ``shunt`` (ohm) and ``largest_current`` (A) there is a ``current_source`` for a coil in the
    sample's place (``drivers.current_source``).

    ``establish`` finds the angle too, after the far end: it leaves the sample as it was where the angle
    is known, else at +1 (one search of up to a turn and a bit, through every angle).
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
        speed: float = 4e-3,
        take_up: float = 0.0,
        turning_height: float | None = None,
        shunt: float | None = None,
        largest_current: float = 0.0,
    ) -> None:
        if not 0 <= floor < travel < 1.0:
            raise ValueError(
                f"lift: travel {travel * 1e3:g} mm and floor {floor * 1e3:g} mm must satisfy "
                f"0 <= floor < travel < 1000 mm"
            )
        feed = speed * 60e3
        if not words.FEED[0] <= feed <= words.FEED[1] + 1e-9:
            raise ValueError(f"lift: speed {speed * 1e3:g} mm/s is outside 0.02 to 4 mm/s")
        if not 0 <= take_up * 1e3 <= words.LARGEST_TAKE_UP:
            raise ValueError(f"lift: take-up {take_up * 1e3:g} mm is outside 0 to {words.LARGEST_TAKE_UP} mm")
        if turning_height is not None and not floor <= turning_height <= travel:
            raise ValueError(
                f"lift: turning height {turning_height * 1e3:g} mm is outside "
                f"{floor * 1e3:g} to {travel * 1e3:g} mm"
            )
        self.port, self.travel, self.floor, self.take_up = port, travel, floor, take_up
        self.turning_height = turning_height
        #: The axes that the controller named at the last ``establish``: "Z", or "ZA" with a turner.
        self.axes = "Z"
        self._highest = words.HIGHEST  # mm, by the controller
        # By the last homing: how wrong the old position was; None where nothing could be compared.
        self.lost_steps: int | None = None
        self.lost_height: float | None = None  # the same in m
        self._feed, self._clock = feed, clock
        self._fastest = words.FASTEST  # mm/min, by the controller
        self._moving = threading.Lock()  # one motion at a time
        self._link = LiftLink(port, listener, clock, floor, turning_height is not None)
        #: Of a coil's current; None where no ``shunt`` (ohm) is named.
        self.current_source = (
            None if shunt is None else LiftCurrentSource(self._link, clock, shunt, largest_current)
        )

    @property
    def state(self) -> DeviceState:
        """The state last reported to the listener; ``why`` says why."""
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

    @property
    def orientation(self) -> int | None:
        """How the turner holds the sample: +1, -1, or None where that is not confirmed."""
        return self._link.orientation

    # ---- the gap setter's calls ----

    def establish(self) -> GapPosition:
        """Home, then go to the far end. Opens the gap first: a branch under way is spoilt by it."""
        with _OneMotion(self._moving):
            self._link.wait_for_session(Deadline(self._clock, SESSION_DEADLINE, least=2.0))
            before = self._link.bring_to_rest(Deadline(self._clock, SESSION_DEADLINE, least=2.0))
            epoch = self._link.epoch
            self._learn_axes(epoch)
            self._link.command(
                "M999", epoch, refusals={"halt": "the stop button is pressed: release it, then try again"}
            )
            self._link.command("M17", epoch)
            each, turner = HOMING_DEADLINE
            with self._link.void_while_finding():
                number, _ = self._link.command("G28", epoch)
                ended = self._link.wait(number, each * self._highest + turner, epoch)
                result = int(ended.words.get("R", -1))
                angle_missing = self.turning_height is not None and ended.orientation is None
                if result != 0 or not ended.homed or angle_missing:
                    why = words.RESULTS.get(result or words.NO_ANGLE, f"result {result}")
                    self._link.void(DeviceState.FAULT, f"homing failed: {why}")
                    raise DeviceRefused(f"homing failed: {why}")
                self._link.establish(epoch)
            # Of a position that was void E says nothing, unless the controller has kept its count.
            compared = (before.homed and not before.angle_lost) or "kept" in ended.flags
            self.lost_steps = int(ended.words.get("E", 0)) if compared else None
            steps = ended.words.get("S", 0.0)
            metre = (ended.height or 0.0) / steps if steps else 0.0
            self.lost_height = None if self.lost_steps is None else self.lost_steps * metre
            if abs(self.travel * 1e3 - (self._highest - words.BELOW_HIGHEST)) > TOLERANCE:
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

    def turn(self, orientation: int) -> GapPosition:
        """Turn the sample to ``orientation`` (+1 or -1) and return it confirmed by the turner's switch.

        Only where the homing and what was closed since then show the stage at or above the turning
        height, even if every opening step was lost: after a passage ``establish`` comes first (else
        DeviceRefused). Raises PositionVoid where the turn did not surely happen: nothing closes then
        until ``establish`` has found the angle. At once where the sample is that way already.
        """
        if orientation not in words.ANGLES:
            raise ValueError(f"orientation {orientation!r} is neither 1 nor -1")
        if self.turning_height is None:
            raise DeviceRefused("the bench file names no turner: [lift] turner = true")
        with _OneMotion(self._moving), self._link.void_while_finding():
            epoch = self._link.known_epoch()
            angle = words.ANGLES[orientation]
            low = f"the sample turns only at and above {self.turning_height * 1e3:g} mm: establish first"
            number, begun = self._link.command(f"G0 A{angle}", epoch, refusals={"interlock": low})
            if begun.words.get("A") != angle:
                self._link.give_up(f"the lift understood {begun.text!r} for G0 A{angle}")
            ended = self._link.wait(number, TURNING_DEADLINE, epoch)
            result = int(ended.words.get("R", -1))
            if result != 0:
                why = f"turning the sample: {words.RESULTS.get(result, f'result {result}')}"
                self._link.void(DeviceState.FAULT if result == words.NO_ANGLE else DeviceState.LOST, why)
                raise PositionVoid(why)
            if not ended.homed or ended.orientation != orientation:
                self._link.give_up(f"the sample was turned to {angle} degrees, the lift says {ended.text!r}")
            return self._link.say(ended)

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
        """Switch a coil's current off and release the port."""
        if self.current_source is not None:
            self.current_source.off()
        self._link.close()

    # ---- motion ----

    def _learn_axes(self, epoch: int) -> None:
        """Ask what this controller can do. DeviceRefused where the bench file asks for more."""
        self.axes, self._highest, self._fastest = "Z", words.HIGHEST, words.FASTEST
        with suppress(DeviceRefused):  # another controller may lack the word
            _, reply = self._link.command("M115", epoch)
            self.axes = "ZA" if "ZA" in reply.flags else "Z"
            self._highest = reply.words.get("Z", words.HIGHEST)
            self._fastest = reply.words.get("F", words.FASTEST)
        reach = (self.travel + self.take_up) * 1e3
        if reach > self._highest + 1e-6:
            raise DeviceRefused(
                f"travel and take_up ask for {reach:g} mm, the lift goes to {self._highest:g} mm"
            )
        if self.turning_height is None:
            return
        if "A" not in self.axes:
            raise DeviceRefused("turner = true, but the lift's controller names no axis A: is its plug in?")
        height = words.decimal(self.turning_height * 1e3)
        ranged = f"turning_height = {height} mm is outside what the lift's controller allows"
        self._link.command(f"M212 Z{height}", epoch, refusals={"range": ranged})

    def _go(self, height: float) -> GapPosition:
        target = round(height * 1e3, 3)
        epoch = self._link.known_epoch()
        mm_per_min = min(self._feed, self._fastest)
        z, feed = words.decimal(target), words.decimal(mm_per_min)
        if self.take_up > 0:
            text = f"G60 Z{z} F{feed} R{words.decimal(self.take_up * 1e3)}"
        else:
            text = f"G1 Z{z} F{feed}"
        number, begun = self._link.command(text, epoch)
        if abs(begun.words.get("Z", math.inf) - target) > 1e-6:
            self._link.give_up(f"the lift understood {begun.text!r} for {text!r}")
        longest = (self._highest + 2 * words.LARGEST_TAKE_UP) / mm_per_min * 60 * 1.5 + 30
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
    """Only one motion at a time; a second caller is refused instead of queued."""

    def __init__(self, lock: threading.Lock) -> None:
        self._lock = lock

    def __enter__(self) -> None:
        if not self._lock.acquire(blocking=False):
            raise DeviceRefused("the lift is moving already")

    def __exit__(self, *_: object) -> None:
        self._lock.release()
