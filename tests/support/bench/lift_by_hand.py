"""The host's side of the lift's talk without a thread: each move is a story that goes on as time is turned.

It says and believes what ``drivers/lift`` does (sessions, seals, sending again, what voids the position), on
a clock turned by hand, so that days pass in minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

from weighloop.daemon.procedure import events
from weighloop.drivers.device import DeviceState
from weighloop.drivers.lift import frames

Story = Generator[None, None, Any]
ANSWER, TRIES, LONGEST = 0.5, 12, 200.0


class NotDone(Exception):
    """A move that did not surely happen."""


class LiftByHand:
    """A mover for the controller: ``write`` sends bytes, ``now`` tells the time, ``happen`` takes events."""

    def __init__(
        self,
        write: Callable[[bytes], None],
        now: Callable[[], float],
        happen: Callable[[events.Event], None],
        state: Callable[[DeviceState, str], None],
        travel: float,
    ) -> None:
        self.write, self.now, self.happen, self.state, self.travel = write, now, happen, state, travel
        self.number, self.nonce, self.sessions = 0, 0, 0
        self.telemetry: dict[str, float] = {}
        self._buffer = b""
        self._answer: frames.Reply | None = None
        self._done: dict[int, frames.Reply] = {}
        self._job: tuple[events.Task, Story] | None = None
        self._void = ""  # why what is under way is worth nothing
        self._finding = False

    # -- the controller's words ----------------------------------------------------------------

    def begin(self, task: events.Task) -> None:
        self._void = ""
        self._job = (task, self._do(task))

    def stop(self) -> None:
        self.write(frames.STOP)
        self._lost("stopped by request")

    def asked(self, count: int) -> None:
        raise AssertionError("no spacers here")

    def said(self, task: events.Task) -> None:
        raise AssertionError("nobody is here to say anything")

    # -- time and bytes ------------------------------------------------------------------------

    def turn(self) -> None:
        """Let the move under way go on by what was heard."""
        if self._job is None:
            return
        task, story = self._job
        try:
            if self._void:
                raise NotDone(self._void)
            next(story)
        except StopIteration as ended:
            self._job = None
            self.happen(ended.value)
        except NotDone as why:
            self._job = None
            self.happen(events.LiftFailed(task.serial, str(why)))

    def hear(self, data: bytes) -> None:
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        self._buffer = self._buffer[-frames.LONGEST :]
        for line in lines:
            reply = frames.parse_reply(line)
            if reply is None:
                continue
            if reply.tag == "bt" or (self.nonce and reply.nonce not in (None, 0, self.nonce)):
                self.reset("the lift was reset")
            elif reply.tag == "ha":
                self._lost("halted")
                self.state(DeviceState.FAULT, frames.HALTS.get(int(reply.words.get("C", 0)), "halted"))
            elif reply.tag in ("ok", "er", "rs"):
                self._answer = reply
            elif reply.tag == "dn" and reply.number is not None:
                self._done[reply.number] = reply
            elif reply.tag == "tm":
                self.telemetry = frames.telemetry(reply)
                gone = "H" in reply.words and not reply.homed and self._known
                if gone and not self._finding:
                    self.reset("the lift is not homed any more")

    def reset(self, why: str) -> None:
        """Nothing said before is worth anything to the lift."""
        self.nonce = 0
        self._lost(why)
        self.state(DeviceState.LOST, why)
        self.state(DeviceState.READY, "answers")

    def _lost(self, why: str) -> None:
        self._known = False
        if self._job is not None:
            self._void = why

    _known = False

    # -- what is said --------------------------------------------------------------------------

    def _say(self, text: str, refusals: tuple[str, ...] = ()) -> Story:
        self.number = frames.next_number(self.number)
        for attempt in range(TRIES):
            self._answer, until = None, self.now() + ANSWER
            self.write((b"\n" if attempt else b"") + frames.frame(self.number, text))
            while self._answer is None and self.now() < until:
                yield
            reply = self._answer
            if reply is None or reply.tag == "rs" or reply.number not in (None, self.number):
                continue
            if reply.tag == "ok":
                return reply
            if "sequence" in reply.flags and "X" in reply.words:
                self.number = int(reply.words["X"])
                continue
            if reply.flags and reply.flags[0] in refusals:
                return reply
            if "nosession" in reply.flags:
                self.nonce = 0
            raise NotDone(f"the lift refused {text!r}: {reply.text}")
        raise NotDone(f"no answer to {text!r}")

    def _wait(self, number: int) -> Story:
        until, poll = self.now() + LONGEST, self.now() + 1.0
        while self.now() < until:
            if number in self._done:
                return self._done.pop(number)
            if self.now() >= poll:  # the line that told it may have been damaged
                poll = self.now() + 1.0
                reply = yield from self._say("M114")
                if not reply.moving and reply.words.get("D") == number:
                    return reply
            yield
        raise NotDone("the motion did not end")

    def _move(self, text: str) -> Story:
        yield from self._say(text)
        ended = yield from self._wait(self.number)
        result = int(ended.words.get("R", -1))
        if result != 0 or not ended.homed:
            raise NotDone(f"{text}: {frames.RESULTS.get(result, ended.text)}")
        return ended

    def _session(self) -> Story:
        self.sessions += 1
        self.nonce = 0
        nonce = 1 + 7919 * self.sessions % 65535
        yield from self._say(f"M110 K{nonce}")
        self.nonce = nonce
        self._done.clear()
        for text in ("G21", "G90", "M211 Z0", "M212 Z45", "M113 S3000", "M155 S1000"):
            yield from self._say(text, ("unsupported",))

    def _do(self, task: events.Task) -> Story:
        if not self.nonce:
            yield from self._session()
        far = task.kind != "approach"
        lost: float | None = 0.0
        if task.kind == "establish":
            lost, ended = yield from self._home()
        elif task.kind == "turn":
            assert task.step is not None
            self._finding = True
            ended = yield from self._move(f"G0 A{frames.ANGLES[task.step['orientation']]}")
            self._finding = False
            if ended.orientation != task.step["orientation"]:
                raise NotDone(f"the turn ended with {ended.text}")
        else:
            height = self.travel if task.height is None else task.height
            ended = yield from self._move(f"G1 Z{frames.decimal(round(height * 1e3, 3))} F240")
            if abs((ended.height or 0.0) - height) > 2e-6:
                raise NotDone(f"sent to {height}, the lift says {ended.text}")
        height = task.height if task.height is not None else ended.height or 0.0
        return events.Stands(task.serial, height, far, lost, ended.orientation)

    def _home(self) -> Story:
        self._finding = True
        before = yield from self._say("M114")
        for _ in range(50):
            if not before.moving:
                break
            self.write(frames.HOLD)
            before = yield from self._say("M114")
        yield from self._say("M999", ("halt", "syntax"))
        yield from self._say("M17", ("unsupported",))
        ended = yield from self._move("G28")
        self._finding = False
        if ended.orientation is None:
            raise NotDone("the angle was not found")
        self._known = True
        compared = (before.homed and not before.angle_lost) or "kept" in ended.flags
        steps = int(ended.words.get("E", 0)) if compared else None
        return (None if steps is None else steps * 0.625e-6), ended
