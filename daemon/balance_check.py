"""A look at a balance without a run: is it there, what does it speak, how steady is it?"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from ..analysis.settling import Settling, SettlingFilter
from ..drivers.balance.balance import SerialBalance
from ..drivers.balance.dialects import load_dialect, names
from ..drivers.clock import RealClock
from ..drivers.device import BalanceReading, DeviceError, DeviceState
from ..drivers.gap_setter import GapPosition
from .acquisition.spikes import SpikeFilter

#: Readings kept for the summary: an hour at 20 a second.
_KEPT = 72_000


class BalanceCheck:
    """Listens to a balance while the context lasts. Masses in kg.

    ``last`` is the settling filter's latest word; ``summary()`` says how steady the stream was.
    """

    def __init__(
        self, port: str, dialect: str, resolution: float, target: float, *, rate: float = 1.0
    ) -> None:
        self._clock = RealClock(rate)
        self._resolution = resolution
        self._filter = SettlingFilter(resolution, target)
        self._lone = SpikeFilter(resolution)
        self._readings: queue.SimpleQueue[BalanceReading | None] = queue.SimpleQueue()
        self._times: list[float] = []
        self._values: list[float] = []
        self._accepted_after: list[float] = []
        self.last: Settling | None = None
        self.why = "not started"
        self.absent = False
        self._balance = SerialBalance(port, load_dialect(dialect), self, self._clock)
        self._worker = threading.Thread(target=self._work, name="quick check", daemon=True)

    def __enter__(self) -> BalanceCheck:
        self._start = self._clock.now()
        self._worker.start()
        self._balance.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._balance.close()
        self._readings.put(None)
        self._worker.join()

    # ---- what the balance calls, from its thread ----

    def reading(self, reading: BalanceReading) -> None:
        self._readings.put(reading)

    def refused(self, time: float, raw: bytes, why: str) -> None:
        pass  # counted by the balance

    def state(self, state: DeviceState, why: str) -> None:
        self.why, self.absent = why, state is DeviceState.ABSENT

    # ---- what the caller asks ----

    def elapsed(self) -> float:
        """Seconds since the start, by the clock."""
        return self._clock.now() - self._start

    def summary(self) -> dict[str, Any]:
        """How steady the balance was: numbers with units in their keys, and ``words`` for people."""
        from ..analysis.settling.bench_past import learn_past
        from ..analysis.settling.steadiness import steadiness

        common = {
            "readings": len(self._times),
            "refused_lines": self._balance.refused,
            "seconds": self.elapsed(),
        }
        if len(self._times) < 20:
            heard = f"{len(self._times)} readings and {self._balance.refused} lines that fit no reading"
            return common | {"words": [f"Too little was heard to judge: {heard}. {self.why}."]}
        heard = np.array(self._times), np.array(self._values)
        found = steadiness(*heard, self._resolution)
        past = learn_past([(*heard, False)], self._resolution)
        words = [*found.words, f"the bench {past.words()}"] if past is not None else found.words
        return common | found.to_json() | {"time_to_accept_s": self._accepted_after} | {"words": words}

    def _followed(self) -> Iterator[BalanceReading]:
        """The readings without those that stand alone, until the end."""
        while (reading := self._readings.get()) is not None:
            yield from self._lone.feed(reading)

    def _work(self) -> None:
        waiting_since: float | None = None
        for reading in self._followed():
            self.last = self._filter.feed(reading.time, reading.value, reading.mark)
            if reading.value is None:
                continue
            waiting_since = reading.time if waiting_since is None else waiting_since
            if self.last.accepted:
                # A fresh start each time: how long does it take from nothing to an accepted reading?
                self._accepted_after.append(reading.time - waiting_since)
                waiting_since = None
                self._filter.begin(reading.time)
            if len(self._times) < _KEPT:
                self._times.append(reading.time)
                self._values.append(reading.value)


def dialect_names() -> list[str]:
    """The dialects known here, the user's own among them."""
    return names()


def port_lines() -> list[dict[str, Any]]:
    """The serial ports of this machine, a record each."""
    from ..drivers.balance.discovery import list_ports

    return [dict(line) for line in list_ports()]


def fits(port: str, seconds: float) -> list[dict[str, Any]]:
    """Which dialects and line settings fit what is heard on ``port``, best first, with the evidence."""
    from ..drivers.balance.discovery import listen

    return [dict(fit) for fit in listen(port, seconds)]


class _Deaf:
    """Hears of a lift and does nothing."""

    def position(self, position: GapPosition) -> None:
        pass

    def state(self, state: DeviceState, why: str) -> None:
        pass


def lift_answers(port: str, seconds: float) -> str | None:
    """What a lift on ``port`` says it is, None where none answers so soon; nothing is moved."""
    from ..drivers.lift.link import LiftLink
    from ..drivers.serial.port import Deadline

    clock = RealClock()
    link = LiftLink(port, _Deaf(), clock, 0.0, turner=False)
    try:
        link.wait_for_session(Deadline(clock, seconds))
        return link.identity or "a lift"
    except DeviceError:
        return None
    finally:
        link.close()


def keep_recording(
    port: str, path: Path, heard: list[dict[str, Any]], seconds: float, origin: str
) -> tuple[int, list[str]]:
    """Record ``port`` as ``fits`` found it into a new file: bytes kept, and what each line means.

    Raises DeviceError where nothing can be kept.
    """
    from ..drivers.balance.capture import keep

    found: list[Any] = heard
    capture = keep(port, path, found, seconds, origin=origin)
    return len(capture.data), list(capture.header.expected)
