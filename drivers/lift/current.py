"""The lift controller's current source (hardware_notes/lift_protocol.md, section 9), as a ``CurrentSource``.

The controller bounds what flows: by its limit, by the time it was given, off at a motion, a halt, a reset and
a silent host. This side only asks, believes what the shunt says, and keeps talking while a current is on.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import numpy as np

from ..clock import Clock
from ..current_source import CurrentLost, MeasuredCurrent
from ..device import DeviceError, DeviceRefused
from ..serial.port import LEAST_DEADLINE, Deadline
from . import frames as words
from .frames import Reply
from .link import LiftLink

#: Longest wait for a session, and for a measurement after the current was switched, s by the clock.
SESSION_DEADLINE, MEASURED_DEADLINE = 15.0, 15.0
#: The converter's step: supply (V) by its counts; the least part of the largest current that is a current.
CONVERTER_STEP, LEAST_SHARE = 5.0 / 1024, 0.02

WHY_OFF: Final[Mapping[int, str]] = {
    1: "its time was over",
    2: "it was larger than the limit",
    3: "the host was silent",
    4: "the lift was halted",
    5: "the lift moved",
    6: "the source's plug, supply or reference is not right",
}
REFUSALS: Final[Mapping[str, str]] = {
    "busy": "the lift is moving: a coil's current is switched only at rest",
    "halt": "the lift is halted: establish its position first",
    "range": "the lift's current source does not go on for so long",
    "interlock": "the lift's current source will not: its reference or its supply is not right, or the lift "
    "does not watch its host",
}


@dataclass(frozen=True)
class _Told:
    """One telemetry line under a current: means from ``began`` to ``ended``."""

    began: float
    ended: float
    current: float
    voltage: float | None


class LiftCurrentSource:
    """The source behind a lift's link. ``shunt`` in ohm, ``largest`` in A: its limit.

    ``direction`` and ``why_off`` are as the controller last said.
    """

    def __init__(self, link: LiftLink, clock: Clock, shunt: float, largest: float) -> None:
        if not (shunt > 0 and largest > 0):
            raise ValueError(f"current source: shunt {shunt:g} ohm and largest current {largest:g} A")
        self.shunt, self.largest = shunt, largest
        self.direction, self.why_off = 0, ""
        self._link, self._clock = link, clock
        self._switching = threading.Lock()
        self._heard = threading.Condition()  # guards what the line's thread writes
        self._told: list[_Told] = []
        self._since, self._epoch = 0.0, -1
        link.current_told = self._hear
        link.keep_talking = lambda: bool(self.direction)

    def set_current(self, direction: int, seconds: float = 300.0) -> None:
        """See ``CurrentSource``."""
        if direction not in (1, -1, 0):
            raise ValueError(f"direction {direction!r} is none of 1, -1, 0")
        link = self._link
        with self._switching:
            link.wait_for_session(Deadline(self._clock, SESSION_DEADLINE, least=2.0))
            epoch = link.epoch
            if not direction:
                link.command("M5", epoch)
                return
            if not (self.direction and self._epoch == epoch):  # under a current limit and shunt stand
                self._prepare(epoch)
            word = f"M{3 if direction > 0 else 4} S{round(seconds)}"
            reply = link.command(word, epoch, refusals=REFUSALS)[1]
            try:
                if reply.words.get("J") != direction:
                    raise CurrentLost(f"the lift understood {reply.text!r} for {word!r}")
                self._epoch = epoch
                measured = self._wait_for(None)
                if measured[0].current * direction < LEAST_SHARE * self.largest:
                    raise CurrentLost(
                        f"the coil's current is {measured[0].current * 1e3:.2f} mA where "
                        f"{'+-'[direction < 0]} was set: is the coil's plug in, and neither lead broken?"
                    )
            except CurrentLost:
                link.command("M5", epoch)
                raise

    def measured_current(self, since: float | None = None) -> MeasuredCurrent:
        """See ``CurrentSource``."""
        told = self._wait_for(since)
        current = np.array([one.current for one in told])
        voltage = [one.voltage for one in told if one.voltage is not None]
        scatter = float(current.std(ddof=1)) / np.sqrt(len(told)) if len(told) > 1 else 0.0
        step = CONVERTER_STEP / np.sqrt(12) / self.shunt
        mean = float(current.mean())
        return MeasuredCurrent(
            mean,
            float(np.hypot(scatter, step)),
            told[0].began,
            told[-1].ended,
            float(np.mean(voltage)) / mean if voltage and mean else None,
        )

    def off(self) -> None:
        """Off as well as can be; where this fails the controller's watch of its host makes it good."""
        if self.direction:
            with suppress(DeviceError):
                self._link.command("M5", self._link.epoch)

    def _prepare(self, epoch: int) -> None:
        """The controller has a source, and it knows shunt and limit: told each time, a reset forgets them."""
        if "source" not in self._link.command("M115", epoch)[1].flags:
            raise DeviceRefused(
                "current_source = true, but the lift's controller names no current source: is its plug in?"
            )
        limit, shunt = words.decimal(self.largest * 1e3), words.decimal(self.shunt)
        ranged = f"largest_current = {limit} mA over {shunt} ohm is outside what the controller allows"
        self._link.command(f"M213 I{limit} R{shunt}", epoch, refusals={"range": ranged})

    def _wait_for(self, since: float | None) -> list[_Told]:
        """The measurements of the present current since then, at least one."""
        end = Deadline(self._clock, MEASURED_DEADLINE, least=10.0)
        while True:
            with self._heard:
                if self._epoch != self._link.epoch:
                    raise CurrentLost(f"the coil's current is off: {self._link.void_why or 'it was not set'}")
                if not self.direction:
                    raise CurrentLost(f"the coil's current is off: {self.why_off or 'it was not set'}")
                told = [one for one in self._told if since is None or one.began >= since]
                if told:
                    return told
                if end.left() <= 0:
                    raise CurrentLost("the lift does not say what current flows")
                self._heard.wait(min(end.left(), LEAST_DEADLINE))

    def _hear(self, reply: Reply) -> None:
        """A line that says how the current is switched; from the line's thread, in the order said."""
        now = self._clock.now()
        with self._heard:
            direction = int(reply.words["J"])
            if direction != self.direction:
                self._told.clear()
                self._since = now
            self.direction = direction
            self.why_off = WHY_OFF.get(int(reply.words.get("Y", 0)), "") if not direction else ""
            if reply.tag == "tm" and direction and "I" in reply.words:
                voltage = reply.words["U"] * 1e-3 if "U" in reply.words else None
                self._told.append(_Told(self._since, now, reply.words["I"] * 1e-3, voltage))
                self._since = now
            self._heard.notify_all()
