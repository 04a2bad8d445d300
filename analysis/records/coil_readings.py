"""Readings of a coil of known current in the sample's place, from a notebook or a run."""

from __future__ import annotations

from dataclasses import dataclass

from .arrays import Floats


@dataclass(frozen=True, eq=False)
class CoilReadings:
    """n readings in the order taken, all (n,): ``height`` in m above the closest position, ``end`` +1 or -1
    for the coil's end that is down, ``current`` in A, ``reading`` in kg.

    ``u`` in kg and ``time`` in s where they are known. ``resistance`` is the coil's in ohm, a mean over the
    readings; ``remarks`` say what was left out. ``seat`` (n, 2): x and y of the coil's seat in m, where it
    was moved sideways.
    """

    height: Floats
    end: Floats
    current: Floats
    reading: Floats
    u: Floats | None = None
    time: Floats | None = None
    resistance: float | None = None
    source: str = ""
    remarks: tuple[str, ...] = ()
    seat: Floats | None = None
