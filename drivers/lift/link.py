"""The talk with a lift: one line in flight, sessions, replies, and when a position is void.

Host side of hardware_notes/lift_protocol.md below the moves themselves (``lift``). One thread reads
the port, one keeps the session open; commands and waits run in the thread that asked.
"""

from __future__ import annotations

import math
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from types import MappingProxyType

from ..clock import Clock
from ..device import DeviceError, DeviceLost, DeviceRefused, DeviceState, DeviceTimeout
from ..gap_setter import GapPosition, GapSetterListener
from ..serial.port import LEAST_DEADLINE, Deadline, SerialLine, real_seconds, reopen_wait
from . import frames as words
from .frames import Reply

#: Wait for the answer to a line before it is sent again, s by the clock (a line takes 11 ms).
ANSWER_PATIENCE = 0.4
TRIES = 12
#: Time between two questions while a motion runs, s by the clock.
POLL = 1.0
#: Time between two telemetry lines, s; silence is two of them.
TELEMETRY = 1.0
#: Longest the lift goes on moving without hearing from the host, s.
HOST_WATCH = 3.0
MOTIONS = ("G0", "G1", "G28", "G60")


class PositionVoid(DeviceError):
    """The lift does not know where it stands: ``establish`` first."""


class LiftLink:
    """The line to one lift. ``floor`` in m is sent to it in every session.

    With a ``turner`` the position is known only as long as the turner's angle is.
    ``epoch`` grows with everything that makes the position void; a command or a wait that was begun
    in an earlier epoch raises PositionVoid.
    """

    def __init__(
        self,
        port: str,
        listener: GapSetterListener,
        clock: Clock,
        floor: float,
        turner: bool,
    ) -> None:
        self.port = port
        self.state, self.why = DeviceState.ABSENT, "not started"
        self.last_heard: float | None = None
        self.lines = self.refused = self.resent = 0
        self.identity = ""
        self.orientation: int | None = None
        self._turner = turner
        self.epoch = 0
        self.known = False
        self.void_why = "the position was never established"
        self._floor, self._listener, self._clock = floor, listener, clock
        self._rate = clock.rate
        self._changed = threading.Condition()  # guards everything the line's thread writes
        self._talking = threading.RLock()  # one line in flight
        self._closing = threading.Event()
        self._buffer = b""
        self._number = 0
        self._nonce = 0
        self._finding = False
        self._answer: Reply | None = None
        self._done: dict[int, Reply] = {}
        self._telemetry: dict[str, float] | None = None
        #: Hears what a line says of a coil's current; whether the lift must be kept hearing from us at rest.
        self.current_told: Callable[[Reply], None] = lambda _: None
        self.keep_talking: Callable[[], bool] = lambda: False
        self._line = SerialLine(port, words.LINE_SETTINGS, self, clock, raise_dtr=False)
        self._keeper = threading.Thread(target=self._keep, name=f"lift {port}", daemon=True)
        self._line.start()
        self._keeper.start()

    def close(self) -> None:
        """Release the port and end the threads."""
        self._closing.set()
        self.void(DeviceState.ABSENT, "closed")
        self._line.close()
        self._keeper.join(timeout=5)

    def send_byte(self, byte: bytes) -> None:
        """Send a real-time byte past everything else."""
        self._line.write(byte)

    @contextmanager
    def void_while_finding(self) -> Iterator[None]:
        """While it homes or turns, a position that is void is no news: how it ends says how it went."""
        self._finding = True
        try:
            yield
        finally:
            self._finding = False

    def establish(self, epoch: int) -> None:
        """The position is known from now on, unless it became void since ``epoch``."""
        with self._changed:
            self._raise_if_void(epoch)
            self.known, self.void_why = True, ""
        self.enter(DeviceState.READY, "homed")

    def known_epoch(self) -> int:
        """The present epoch; raises PositionVoid, saying why, where the position is not known."""
        with self._changed:
            if not self.known:
                raise PositionVoid(f"the lift does not move: {self.void_why}; establish its position first")
            return self.epoch

    def give_up(self, why: str) -> None:
        """The lift did something else than asked: stop it, and trust it no more."""
        try:
            self._line.write(words.STOP)
        finally:
            self.void(DeviceState.FAULT, why)
        raise PositionVoid(why)

    def wait(self, number: int, seconds: float, epoch: int) -> Reply:
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
            _, reply = self.command("M114", epoch)
            if not reply.moving and reply.words.get("D") == number:
                return reply
            self.say(reply)
        self.give_up(f"the motion did not end within {seconds:.0f} s")
        raise AssertionError  # never reached: give_up raises

    def bring_to_rest(self, end: Deadline) -> Reply:
        """End what the lift may still be doing from before, as after a pulled plug under way."""
        while True:
            try:
                if not (reply := self.command("M114", self.epoch)[1]).moving:
                    return reply
                self._line.write(words.HOLD)
            except PositionVoid:  # a homing cannot be held, it halts: known and expected here
                pass
            if end.left() <= 0:
                raise DeviceTimeout("the lift goes on moving though it was asked to stop")
            self._closing.wait(real_seconds(self._clock, 0.1, least=0.01))

    # ---- talking ----

    def command(
        self, text: str, epoch: int | None, *, refusals: Mapping[str, str] = MappingProxyType({})
    ) -> tuple[int, Reply]:
        """Send one line until it is answered; ``epoch`` None outside a session (opening one).

        ``refusals``: by the controller's reason, those that say no more than no, in words for a person.
        """
        with self._talking:
            with self._changed:
                self._raise_if_void(epoch)
                if epoch is not None and not self._nonce:
                    raise DeviceTimeout(f"no session with the lift: {self.why}")
            self._number = number = words.next_number(self._number)
            line, renumbered = words.frame(number, text), False
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
                if "sequence" in reply.flags and "X" in reply.words and not renumbered:
                    # Earlier lines were lost without an answer. This one was not obeyed, in this very
                    # session, so it may be said again under the number that is due.
                    renumbered = True
                    self._number = number = int(reply.words["X"])
                    line = words.frame(number, text)
                    continue
                self._refused(text, reply, refusals)
        why = f"no answer to {text!r} in {TRIES} tries"
        if epoch is not None:
            self.enter(DeviceState.SILENT, why)
            if text.split()[0] in MOTIONS:  # begun or not: nobody knows
                self.give_up(why)
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

    def _refused(self, text: str, reply: Reply, refusals: Mapping[str, str]) -> None:
        reason = reply.flags[0] if reply.flags else "without a reason"
        if reason in refusals:
            raise DeviceRefused(refusals[reason])
        why = f"the lift refused {text!r}: {reason}"
        if reason in ("unhomed", "halt", "nosession", "sequence"):
            if reason in ("nosession", "sequence"):
                self._nonce = 0
            self.void(DeviceState.FAULT if reason == "halt" else DeviceState.LOST, why)
            raise PositionVoid(why)
        raise DeviceRefused(why)

    def _raise_if_void(self, epoch: int | None) -> None:
        if epoch is not None and epoch != self.epoch:
            raise PositionVoid(self.void_why)

    def void(self, state: DeviceState, why: str) -> None:
        """The position is worth nothing any more; whoever waits is woken."""
        with self._changed:
            self.epoch += 1
            was_known, self.known, self.void_why = self.known, False, why
            self.orientation = None
            self._changed.notify_all()
        self.enter(state, why)
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
            _, reply = self.command(f"M110 K{nonce}", None)
            if reply.nonce != nonce:
                raise DeviceRefused(f"the lift answered for another session: {reply.text!r}")
            with self._changed:
                self._nonce, epoch = nonce, self.epoch
            self.identity = " ".join(reply.flags)
            for text in ("G21", "G90", f"M211 Z{words.decimal(self._floor * 1e3)}"):
                self.command(text, epoch)
            # At a clock faster than life the host needs more of the lift's time between two lines.
            watch = min(60_000, round(1000 * max(HOST_WATCH, 1.5 * self._rate)))
            telemetry = min(5000, round(1000 * TELEMETRY * max(1.0, self._rate / 10)))
            for text in (f"M113 S{watch}", f"M155 S{telemetry}"):
                with suppress(DeviceRefused):  # another controller may lack it; everything else still guards
                    self.command(text, epoch)
            self._line.remember_identity()
            self.enter(
                DeviceState.READY,
                f"answers; position unknown: {self.void_why}" if self.void_why else "answers",
            )

    def wait_for_session(self, end: Deadline) -> None:
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
                elif self.state is DeviceState.SILENT or self.keep_talking():
                    self.check_still_known(self.command("M114", self.epoch)[1])
                attempt = 0
            except DeviceError as error:
                if self._line.is_open and not self._nonce and not self._closing.is_set():
                    self.enter(DeviceState.SILENT, f"no session: {error}")
                wait = real_seconds(self._clock, reopen_wait(attempt), least=0.05)
                attempt += 1

    # ---- what the line calls, from its thread ----

    def opening(self, why: str) -> None:
        if self.state not in (DeviceState.LOST, DeviceState.ABSENT, DeviceState.FAULT) or self.lines == 0:
            self.enter(DeviceState.OPENING, why)

    def opened(self, device: str) -> None:
        self._buffer = b""
        self.last_heard = self._clock.now()
        self.enter(DeviceState.IDENTIFYING, f"{device} is open; asking for a lift")

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
            self.enter(DeviceState.SILENT, f"nothing heard for {quiet:.1f} s")

    def lost(self, why: str, there: bool) -> None:
        self._nonce = 0
        state = DeviceState.LOST if there else DeviceState.ABSENT
        if self.known or self.state is not state:
            self.void(state, why)
        else:
            self.enter(state, why)

    def _hear(self, reply: Reply) -> None:
        if reply.tag == "bt":
            self._nonce = 0
            self.void(DeviceState.LOST, f"the lift was reset ({reply.text})")
            return
        foreign = bool(self._nonce) and reply.nonce is not None and reply.nonce != self._nonce
        if foreign:
            self._nonce = 0
            self.void(DeviceState.LOST, f"the lift speaks of another session ({reply.text})")
            return
        if reply.tag == "ha":
            cause = words.HALTS.get(int(reply.words.get("C", 0)), "halted")
            if self.known or self.state is not DeviceState.FAULT:
                self.void(DeviceState.FAULT, f"{cause}: the position is void until established")
            return
        if self.state is DeviceState.SILENT and self._nonce:
            self.enter(DeviceState.READY, "heard again")
        if "J" in reply.words and self._nonce:
            self.current_told(reply)
        with self._changed:
            if reply.tag in ("ok", "er", "rs"):
                self._answer = reply
            elif reply.tag == "dn" and reply.number is not None and self._nonce:
                self._done[reply.number] = reply
            self._changed.notify_all()
        if reply.tag == "tm" and self._nonce:
            self._telemetry = words.telemetry(reply)
            self.check_still_known(reply)
            self.say(reply)

    # ---- telling ----

    def check_still_known(self, reply: Reply) -> None:
        """A lift that says it is not homed has lost what we thought we knew."""
        if not self.known or self._finding:
            return
        if "H" in reply.words and not reply.homed:
            self.void(DeviceState.LOST, f"the lift is not homed any more ({reply.text})")
        elif self._turner and reply.angle_lost:
            self.void(DeviceState.LOST, f"the turner's angle is not known any more ({reply.text})")

    def say(self, reply: Reply) -> GapPosition:
        height = reply.height
        if reply.tag != "tm":
            self.orientation = reply.orientation if reply.homed else None
        position = GapPosition(
            height if height is not None else math.nan,
            known=self.known and reply.homed,
            moving=reply.moving,
            telemetry=dict(self._telemetry) if self._telemetry is not None else None,
            orientation=self.orientation,
        )
        self._listener.position(position)
        return position

    def enter(self, state: DeviceState, why: str) -> None:
        if (state, why) != (self.state, self.why):
            self.state, self.why = state, why
            self._listener.state(state, why)
