"""Far ends that answer plausibly and wrongly, by the pages of the balance interface and the lift protocol.

Written from the pages alone: whatever the daemon looks at, these know nothing of it. Each is a virtual bench
with one fault; ``wrong_readings`` compares what was recorded as right with what the bench truly was.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

from weighloop.daemon.procedure import events
from weighloop.daemon.protocol import Point
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.balance.framing import LineStream, Reading
from weighloop.drivers.device import BalanceReading, DeviceState
from weighloop.drivers.twin.balance import BalanceTwin, Shown
from weighloop.drivers.twin.balance_protocol import VOICES

from .virtual_bench import STRONG, VirtualBench, attraction

#: A used reading farther from the truth than this many of its own u, and this much (kg), is wrong.
OFF_U, OFF = 5.0, 3e-6


class HostileBench(VirtualBench):
    """A bench whose line and lift may lie; ``fault`` is looked at before each reading."""

    def __init__(self, store: Path | str = ":memory:", **more: float) -> None:
        super().__init__(store, **more)  # pyright: ignore[reportArgumentType]
        self.age = 0.0  # so old are the readings that come out of the line, s
        self.frozen = False  # the display shows the same from now on
        self.scale = 1.0  # another balance's
        self.wrong_for: tuple[float, float] | None = None  # until when (s) which wrong level (kg) is shown
        self.wire: Wire | None = None  # the readings as lines of a dialect, and back
        self.offsets: list[tuple[float, float]] = [(0.0, self.offset)]  # since when (s) which zero, kg
        self.keeps_count = False  # whether the lift's controller keeps its count through a reset
        self.fault: Callable[[], None] = lambda: None
        self._on_the_way: deque[BalanceReading] = deque()
        self._shown: float | None = None

    def line(self, reading: BalanceReading) -> list[BalanceReading]:
        self.fault()
        value = reading.value
        if value is not None:
            value = round(value * self.scale, 6)
            if self.wrong_for is not None:
                until, wrong = self.wrong_for
                value, self.wrong_for = (wrong, self.wrong_for) if reading.time < until else (value, None)
            if self.frozen and self._shown is not None:
                value = self._shown
            self._shown = value
        self._on_the_way.append(replace(reading, value=value))
        out = []
        while self._on_the_way and self._on_the_way[0].time <= reading.time - self.age + 1e-9:
            old = self._on_the_way.popleft()
            out.append(replace(old, time=old.time + self.age))
        return out if self.wire is None else [heard for one in out for heard in self.wire.through(one)]

    @property
    def read_so_far(self) -> int:
        """Readings that the log has of this run, zeros and all."""
        return len(self.run.points) if self.run is not None else 0

    @property
    def reads_a_point(self) -> bool:
        """Whether a reading with the sample in place is being taken."""
        task = self.controller.stage.task
        return (
            task is not None
            and task.kind == "read"
            and task.step is not None
            and task.step["kind"] == "point"
        )

    @property
    def half_way(self) -> bool:
        """Whether the lift is in the middle of a move."""
        began, seconds = self.move_time
        return self.moving_to is not None and self.clock.time > began + seconds / 2

    def unplug_balance(self, seconds: float, then: Callable[[], None] = lambda: None) -> None:
        """The balance is gone for a while, and back as ``then`` makes it."""
        self.silent = True
        self.controller.watch.balance_is(DeviceState.LOST, "its port is gone")

        def back() -> None:
            self.silent = False
            then()
            self.controller.watch.balance_is(DeviceState.READY, "speaks status-line")

        self.later(seconds, back)

    def zero_becomes(self, offset: float) -> None:
        """The balance shows this with nothing on it from now on, kg."""
        self.offset = offset
        self.offsets.append((self.clock.time, offset))

    def reset_lift(self) -> None:
        """The lift's controller restarts: its position is void."""
        self.moving_to, self.lost = None, 0.0 if self.keeps_count else None
        self.controller.happen(events.LiftVoid("it was reset"))

    def play(self, seconds: float = 7200.0) -> str:
        """Be the person until the run ends or is held: ``finished``, or ``held: code``."""
        self.operate(seconds)
        if self.run is not None and self.run.code == "balance" and self.run.state == "held":
            self.advance(60.0)  # it goes on by itself
            self.operate(seconds)
        assert self.run is not None
        return f"held: {self.run.code}" if self.run.state == "held" else self.run.state


class StuckLift(HostileBench):
    """From reading ``after`` on the lift says "done" without moving, and homes without a step lost."""

    after = 6

    @property
    def place(self) -> float:
        here = super().place
        if self.read_so_far < self.after:
            self._stood = here
        return self._stood


class ShortLift(HostileBench):
    """A lift that goes ``share`` of a move and says that it is there.

    ``once``: of one move, and the next brings it where it should be. Else of every move from reading
    ``after`` on, its count wrong until a homing; ``tells``: which says by how much.
    """

    after, share, once, tells = 6, 0.5, True, False
    _was = _off = 0.0  # how far it stands from where it should, before the move and after it, m
    _done = False

    def move_begins(self, kind: str, target: float) -> None:
        self._was = self._off
        if kind == "establish":
            if self.tells:
                self.lost = self._off
            self._off = 0.0
        elif kind == "approach":
            if self.once:
                self._off = 0.0
            if self.read_so_far >= self.after and not (self.once and self._done):
                self._done = True
                self._off += (1.0 - self.share) * (target - self.height)

    @property
    def place(self) -> float:
        began, seconds = self.move_time
        way = 1.0 if self.moving_to is None else min(max((self.clock.time - began) / seconds, 0.0), 1.0)
        return super().place - (self._was + way * (self._off - self._was))


class Wire:
    """A line in a balance's dialect: what the balance's own program writes, and what the driver reads.

    ``harm`` changes the bytes on their way.
    """

    def __init__(self, dialect: str, harm: Callable[[bytes], bytes] = lambda raw: raw) -> None:
        maker = SimpleNamespace(resolution=1e-3)
        self._voice = VOICES[dialect](cast(BalanceTwin, SimpleNamespace(maker=maker)))
        self._stream = LineStream(load_dialect(dialect))
        self._harm = harm

    def through(self, reading: BalanceReading) -> list[BalanceReading]:
        gram = None if reading.value is None else reading.value * 1e3
        raw = self._harm(self._voice.line(Shown(gram, reading.mark or "steady")))
        heard = [item for item in self._stream.feed(raw) if isinstance(item, Reading)]
        return [BalanceReading(reading.time, h.value, h.mark, h.raw, h.sequence) for h in heard]


def truth(bench: HostileBench, point: Point) -> float:
    """What a whole balance would have shown for a point of the plan, kg: the bench's own physics."""
    offset = [kg for since, kg in bench.offsets if since <= point["time_s"]][-1]
    if point["kind"] == "zero":
        return offset
    height = point["height_m"] or 0.0
    sign = 1 if point["leg"] in (2, 4) and height >= STRONG else -1
    return offset + sign * attraction(height)


def wrong_readings(bench: HostileBench) -> list[Point]:
    """The readings recorded as right that are not."""
    assert bench.run is not None
    return [
        p
        for p in bench.run.points
        if p["set_aside"] is None and abs(p["value_kg"] - truth(bench, p)) > OFF_U * p["u_kg"] + OFF
    ]
