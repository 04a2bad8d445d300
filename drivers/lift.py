"""A motorised lift behind a serial port, as a gap setter (hardware_notes/lift_protocol.md).

A lift moves, so it is trusted less than a balance: after a reset, a halt, a lost port, an answer of
another session or a position that is not the one asked for, its position is void and every move
raises until ``establish`` has homed it again.
"""

from __future__ import annotations

import math
import secrets
import threading

from . import lift_words as words
from .clock import Clock
from .device import DeviceError, DeviceLost, DeviceRefused, DeviceState, DeviceTimeout
from .gap_setter import GapPosition, GapSetterListener
from .lift_words import Reply
from .serial_line import LEAST_DEADLINE, REOPEN_WAITS, Deadline, SerialLine, real_seconds

#: Wait for the answer to a line before it is sent again, s by the clock (a line takes 11 ms).
ANSWER_PATIENCE = 0.4
TRIES = 12
#: Time between two questions while a motion runs, s by the clock.
POLL = 1.0
TELEMETRY = 1.0  # s between telemetry lines
#: Longest homing: 55 mm at 1 mm/s, twice.
HOMING_DEADLINE = 120.0
MOTIONS = ("G0", "G1", "G28", "G60")
#: How far (mm) a position may be from the target: one step (1/1600 mm) and the rounding to 0.001.
TOLERANCE = 0.0016


class PositionVoid(DeviceError):
    """The lift does not know where it stands: ``establish`` first."""


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
        self.state, self.why = DeviceState.ABSENT, "not started"
        self.last_heard: float | None = None
        self.lines = self.refused = self.resent = 0
        self.lost_steps: int | None = None  # by the last homing: how wrong the old position was
        self.identity = ""
        self._feed, self._listener, self._clock = feed, listener, clock
        self._rate = getattr(clock, "rate", 1.0)
        self._changed = threading.Condition()  # guards everything the line's thread writes
        self._talking = threading.RLock()  # one line in flight
        self._moving = threading.Lock()  # one motion at a time
        self._closing = threading.Event()
        self._buffer = b""
        self._number = secrets.randbelow(65535) + 1
        self._nonce = 0
        self._known = False
        self._epoch = 0  # grows with everything that makes the position void
        self._void_why = "the position was never established"
        self._answer: Reply | None = None
        self._done: dict[int, Reply] = {}
        self._telemetry: dict[str, float] | None = None
        self._line = SerialLine(port, words.LINE_SETTINGS, self, clock, raise_dtr=False)
        self._keeper = threading.Thread(target=self._keep, name=f"lift {port}", daemon=True)
        self._line.start()
        self._keeper.start()

    # ---- the gap setter's calls ----

    def establish(self) -> GapPosition:
        """Home, then go to the far end. Opens the gap first: a branch under way is spoilt by it."""
        with _OneMotion(self._moving):
            self._wait_for_session(Deadline(self._clock, 15.0, least=5.0))
            epoch = self._epoch
            self._command("M999", epoch, refusal="the stop button is pressed: release it, then try again")
            self._command("M17", epoch)
            number, _ = self._command("G28", epoch)
            ended = self._wait(number, HOMING_DEADLINE, epoch)
            result = int(ended.words.get("R", -1))
            if result != 0 or not ended.homed:
                why = f"homing failed: {words.RESULTS.get(result, f'result {result}')}"
                self._void(DeviceState.FAULT, why)
                raise DeviceRefused(why)
            with self._changed:
                if self._epoch != epoch:
                    raise PositionVoid(self._void_why)
                self._known, self._void_why = True, ""
            self.lost_steps = int(ended.words.get("E", 0))
            self._enter(DeviceState.READY, "homed")
            if abs(self.travel * 1e3 - words.HOME) > TOLERANCE:
                return self._go(self.travel)
            return self._say(ended)

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
            self._line.write(words.STOP)
        finally:
            self._void(DeviceState.FAULT, "stopped by request: the position is void until established")

    def hold(self) -> None:
        """Ramp down, from any thread. The position is kept; the move under way raises."""
        self._line.write(words.HOLD)

    def where(self) -> GapPosition:
        """Ask for the position; works while another thread waits for a move."""
        _, reply = self._command("M114", self._epoch)
        self._check_still_known(reply)
        return self._say(reply)

    def close(self) -> None:
        """Let go of the port."""
        self._closing.set()
        self._void(DeviceState.ABSENT, "closed")
        self._line.close()
        self._keeper.join(timeout=5)

    # ---- motion ----

    def _go(self, height: float) -> GapPosition:
        target = round(height * 1e3, 3)
        with self._changed:
            epoch = self._epoch
            if not self._known:
                raise PositionVoid(f"the lift does not move: {self._void_why}; establish its position first")
        z, feed = words.decimal(target), words.decimal(self._feed)
        if self.take_up > 0:
            text = f"G60 Z{z} F{feed} R{words.decimal(self.take_up * 1e3)}"
        else:
            text = f"G1 Z{z} F{feed}"
        number, begun = self._command(text, epoch)
        if abs(begun.words.get("Z", math.inf) - target) > 1e-6:
            self._give_up(f"the lift understood {begun.text!r} for {text!r}")
        longest = (words.HIGHEST + 2 * words.LARGEST_TAKE_UP) / self._feed * 60 * 1.5 + 10
        ended = self._wait(number, longest, epoch)
        result = int(ended.words.get("R", -1))
        position = self._say(ended)
        if result in (1, 5):
            raise DeviceRefused(f"the move to {target:g} mm was {words.RESULTS[result]}")
        if result != 0:
            self._give_up(f"the move to {target:g} mm: {words.RESULTS.get(result, f'result {result}')}")
        if not ended.homed or abs(ended.words.get("Z", math.inf) - target) > TOLERANCE:
            self._give_up(f"the lift was sent to {target:g} mm and says {ended.text!r}")
        return position

    def _give_up(self, why: str) -> None:
        """The lift did something else than asked: stop it, and trust it no more."""
        try:
            self._line.write(words.STOP)
        finally:
            self._void(DeviceState.FAULT, why)
        raise PositionVoid(why)

    def _wait(self, number: int, seconds: float, epoch: int) -> Reply:
        """The end of motion ``number``: by its own line, or by asking if that line was damaged."""
        end = Deadline(self._clock, seconds, least=2.0)
        while end.left() > 0:
            poll = Deadline(self._clock, POLL, least=0.05)
            with self._changed:
                while number not in self._done and (left := min(poll.left(), end.left())) > 0:
                    self._raise_if_void(epoch)
                    self._changed.wait(left)
                self._raise_if_void(epoch)
                if number in self._done:
                    return self._done.pop(number)
            _, reply = self._command("M114", epoch)
            if not reply.moving and reply.words.get("D") == number:
                return reply
            self._say(reply)
        self._give_up(f"the motion did not end within {seconds:.0f} s")
        raise AssertionError  # _give_up raises

    # ---- talking ----

    def _command(self, text: str, epoch: int | None, *, refusal: str | None = None) -> tuple[int, Reply]:
        """Send one line until it is answered; ``epoch`` None outside a session (opening one)."""
        with self._talking:
            with self._changed:
                self._raise_if_void(epoch)
                if epoch is not None and not self._nonce:
                    raise DeviceTimeout(f"no session with the lift: {self.why}")
            self._number = number = words.next_number(self._number)
            line = words.frame(number, text)
            for attempt in range(TRIES):
                with self._changed:
                    self._answer = None
                self.resent += attempt > 0
                self._line.write((b"\n" if attempt else b"") + line)  # the newline ends any wreck
                reply = self._await_answer(number, epoch)
                if reply is None or reply.tag == "rs":
                    continue
                if reply.tag == "ok":
                    return number, reply
                self._refused(text, reply, refusal)
        why = f"no answer to {text!r} in {TRIES} tries"
        if epoch is not None:
            self._enter(DeviceState.SILENT, why)
            if text.split()[0] in MOTIONS:  # begun or not: nobody knows
                self._give_up(why)
        raise DeviceTimeout(why)

    def _await_answer(self, number: int, epoch: int | None) -> Reply | None:
        end = Deadline(self._clock, ANSWER_PATIENCE)
        with self._changed:
            while (left := end.left()) > 0:
                self._raise_if_void(epoch)
                if not self._line.is_open:
                    raise DeviceLost(f"{self.port} is not open: {self.why}")
                answer, self._answer = self._answer, None
                if answer is not None and (answer.tag == "rs" or answer.number == number):
                    return answer
                self._changed.wait(min(left, LEAST_DEADLINE))
        return None

    def _refused(self, text: str, reply: Reply, refusal: str | None) -> None:
        reason = reply.flags[0] if reply.flags else "without a reason"
        if refusal is not None and reason == "halt":
            raise DeviceRefused(refusal)
        why = f"the lift refused {text!r}: {reason}"
        if reason in ("unhomed", "halt", "nosession", "sequence"):
            if reason in ("nosession", "sequence"):
                self._nonce = 0
            self._void(DeviceState.FAULT if reason == "halt" else DeviceState.LOST, why)
            raise PositionVoid(why)
        raise DeviceRefused(why)

    def _raise_if_void(self, epoch: int | None) -> None:
        if epoch is not None and epoch != self._epoch:
            raise PositionVoid(self._void_why)

    def _void(self, state: DeviceState, why: str) -> None:
        """The position is worth nothing any more; whoever waits is woken."""
        with self._changed:
            self._epoch += 1
            was_known, self._known, self._void_why = self._known, False, why
            self._changed.notify_all()
        self._enter(state, why)
        if was_known:
            self._listener.position(GapPosition(math.nan, known=False, telemetry=self._telemetry))

    # ---- the session ----

    def _open_session(self) -> None:
        """A new session: everything said before is worth nothing to the lift, and the other way round."""
        with self._talking:
            nonce = secrets.randbelow(65535) + 1
            with self._changed:
                self._nonce = 0
                self._done.clear()
            self._number = secrets.randbelow(65535) + 1
            _, reply = self._command(f"M110 K{nonce}", None)
            if reply.nonce != nonce:
                raise DeviceRefused(f"the lift answered for another session: {reply.text!r}")
            with self._changed:
                self._nonce, epoch = nonce, self._epoch
            self.identity = " ".join(reply.flags)
            for text in ("G21", "G90", f"M211 Z{words.decimal(self.floor * 1e3)}"):
                self._command(text, epoch)
            # At a clock faster than life the host needs more of the lift's time between two lines.
            watch = min(60_000, round(1000 * max(3.0, 1.5 * self._rate)))
            telemetry = min(5000, round(1000 * TELEMETRY * max(1.0, self._rate / 10)))
            for text in (f"M113 S{watch}", f"M155 S{telemetry}"):
                try:
                    self._command(text, epoch)
                except PositionVoid:
                    raise
                except DeviceRefused:
                    pass  # another controller may lack it; everything else still guards
            self._line.remember_identity()
            self._enter(DeviceState.READY, f"answers; {self._void_why}" if self._void_why else "answers")

    def _wait_for_session(self, end: Deadline) -> None:
        with self._changed:
            while not self._nonce:
                if end.left() <= 0:
                    raise DeviceTimeout(f"the lift does not answer: {self.why}")
                self._changed.wait(min(end.left(), LEAST_DEADLINE))

    def _keep(self) -> None:
        """Opens a session whenever there is none, and asks when the lift has gone quiet."""
        attempt = 0
        wait = 0.02
        while not self._closing.wait(wait):
            wait = real_seconds(self._clock, 0.25, least=0.02)
            if not self._line.is_open:
                attempt = 0
                continue
            try:
                if not self._nonce:
                    self._open_session()
                    with self._changed:
                        self._changed.notify_all()
                elif self.state is DeviceState.SILENT:
                    self._check_still_known(self._command("M114", self._epoch)[1])
                attempt = 0
            except DeviceError as error:
                if self._line.is_open and not self._nonce and not self._closing.is_set():
                    self._enter(DeviceState.SILENT, f"no session: {error}")
                wait = real_seconds(
                    self._clock, REOPEN_WAITS[min(attempt, len(REOPEN_WAITS) - 1)], least=0.05
                )
                attempt += 1

    # ---- what the line calls, from its thread ----

    def opening(self, why: str) -> None:
        if self.state not in (DeviceState.LOST, DeviceState.ABSENT, DeviceState.FAULT) or self.lines == 0:
            self._enter(DeviceState.OPENING, why)

    def opened(self, device: str) -> None:
        self._buffer = b""
        self.last_heard = self._clock.now()
        self._enter(DeviceState.IDENTIFYING, f"{device} is open; asking for a lift")

    def received(self, data: bytes, now: float) -> None:
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        self._buffer = self._buffer[-words.LONGEST :]  # its check cannot hold any more, so it is refused
        for line in lines:
            if not line:
                continue
            reply = words.parse_reply(line)
            if reply is None:
                self.refused += 1
                continue
            self.lines += 1
            self.last_heard = now
            self._hear(reply)

    def tick(self, now: float) -> None:
        quiet = now - (self.last_heard if self.last_heard is not None else now)
        limit = max(2 * TELEMETRY * max(1.0, self._rate / 10), 0.5 * self._rate)
        if self.state is DeviceState.READY and quiet > limit:
            self._enter(DeviceState.SILENT, f"nothing heard for {quiet:.1f} s")

    def lost(self, why: str, there: bool) -> None:
        self._nonce = 0
        state = DeviceState.LOST if there else DeviceState.ABSENT
        if self._known or self.state is not state:
            self._void(state, why)
        else:
            self._enter(state, why)

    def _hear(self, reply: Reply) -> None:
        if reply.tag == "bt":
            self._nonce = 0
            self._void(DeviceState.LOST, f"the lift was reset ({reply.text})")
            return
        foreign = bool(self._nonce) and reply.nonce is not None and reply.nonce != self._nonce
        if foreign:
            self._nonce = 0
            self._void(DeviceState.LOST, f"the lift speaks of another session ({reply.text})")
            return
        if reply.tag == "ha":
            cause = words.HALTS.get(int(reply.words.get("C", 0)), "halted")
            if self._known or self.state is not DeviceState.FAULT:
                self._void(DeviceState.FAULT, f"{cause}: the position is void until established")
            return
        if self.state is DeviceState.SILENT and self._nonce:
            self._enter(DeviceState.READY, "heard again")
        with self._changed:
            if reply.tag in ("ok", "er", "rs"):
                self._answer = reply
            elif reply.tag == "dn" and reply.number is not None and self._nonce:
                self._done[reply.number] = reply
            self._changed.notify_all()
        if reply.tag == "tm" and self._nonce:
            self._telemetry = words.telemetry(reply)
            self._check_still_known(reply)
            self._say(reply)

    # ---- telling ----

    def _check_still_known(self, reply: Reply) -> None:
        """A lift that says it is not homed has lost what we thought we knew."""
        if self._known and "H" in reply.words and not reply.homed:
            self._void(DeviceState.LOST, f"the lift is not homed any more ({reply.text})")

    def _say(self, reply: Reply) -> GapPosition:
        height = reply.height
        position = GapPosition(
            height if height is not None else math.nan,
            known=self._known and reply.homed,
            moving=reply.moving,
            telemetry=dict(self._telemetry) if self._telemetry is not None else None,
        )
        self._listener.position(position)
        return position

    def _enter(self, state: DeviceState, why: str) -> None:
        if (state, why) != (self.state, self.why):
            self.state, self.why = state, why
            self._listener.state(state, why)


class _OneMotion:
    """Only one motion at a time; a second caller is told instead of queued."""

    def __init__(self, lock: threading.Lock) -> None:
        self._lock = lock

    def __enter__(self) -> None:
        if not self._lock.acquire(blocking=False):
            raise DeviceRefused("the lift is moving already")

    def __exit__(self, *_: object) -> None:
        self._lock.release()
