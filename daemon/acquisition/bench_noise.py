"""What is known of each bench's noise: learnt while it is at rest, kept in the log, given to the filter."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any, Protocol

from ...analysis.records.bench import Bench
from ...analysis.settling import NoiseMemory
from ...drivers.device import BalanceReading
from .level import Acquisition
from .rest import RestWatch
from .settings import NOTES_READ

#: The kind of the log's entries that hold it.
KIND = "noise"


class Note(Protocol):
    """Writes a line into the log that changes no run."""

    def __call__(self, kind: str, text: str, *, data: dict[str, Any]) -> None: ...


def balance_and_place(bench: Bench) -> str:
    """Names what the noise belongs to: another balance or another place is another noise."""
    b, s = bench.balance, bench.site
    return f"{b.port} {b.dialect} {b.resolution:g} kg at {s.latitude.value:.4f} rad, {s.altitude.value:.0f} m"


class BenchNoise:
    """The memory of every bench used so far. One thread only."""

    def __init__(self, note: Note) -> None:
        self._note = note
        self._known: dict[str, NoiseMemory] = {}
        self._present = ""  # which bench is followed
        self._rest: RestWatch | None = None

    def take_up(self, last_data: Callable[[str, int], Iterable[Mapping[str, Any]]]) -> None:
        """What the log holds: ``last_data(kind, count)`` gives the data of its latest entries of a kind,
        oldest first. Those of another program are left alone."""
        for entry in last_data(KIND, NOTES_READ):
            memory = NoiseMemory.from_dict(entry.get("memory"))
            if memory is not None:
                self._known[str(entry.get("balance", ""))] = memory

    def use(self, bench: Bench, followed: Acquisition | None) -> NoiseMemory | None:
        """Follow this bench from now on; what is known of it. ``followed`` is what was at work before."""
        self.learn(followed)
        self._present = balance_and_place(bench)
        self._rest = RestWatch(bench.balance.resolution)
        return self._known.get(self._present)

    def feed(self, reading: BalanceReading, at_rest: bool) -> None:
        """One raw reading; ``at_rest`` is false while the lift moves or hands are asked for."""
        if self._rest is not None:
            self._rest.feed(reading, at_rest)

    def learn(self, followed: Acquisition | None) -> None:
        """Join what was seen since the last time to what is known, and write it down."""
        if self._rest is None or followed is None:
            return
        before = self._known.get(self._present)
        earlier = before.past if before is not None else None
        seen = self._rest.learnt()
        past = seen.joined(earlier) if seen is not None else earlier
        memory = self._known[self._present] = replace(followed.filter.memory(), past=past)
        if past is not None and seen is not None:
            data = {"balance": self._present, "memory": memory.to_dict()}
            self._note(KIND, f"The bench {past.words()}.", data=data)
