"""Rows to passages: where the field at the sample turns around, or the sample is turned over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..records.arrays import Floats
from ..records.points import Branch
from .settings import AWAY, FAR, NEAR


@dataclass(frozen=True, eq=False)
class Passage:
    """Rows between two turning points of the field, ``start`` to ``stop`` in ``order``: going in or out."""

    rows: NDArray[np.int64]
    inward: bool
    orientation: int
    branch: Branch


def passages_of(
    H: Floats, orientation: NDArray[np.int64], gap: Floats, at: NDArray[np.int64]
) -> list[Passage]:
    """Split the rows ``at`` into passages inward and outward."""
    passages: list[Passage] = []
    been_out = False
    last_orientation = 0
    strongest = np.abs(H[at]).max(initial=0.0)
    for block in _blocks(np.abs(H), orientation, gap, at):
        strength, o = np.abs(H[block]), int(orientation[block[0]])
        if strength.max() < AWAY * strongest and not (been_out and o == last_orientation):
            # Turned over far away: the branch goes on by as little as the field there changes.
            turned: Branch = "descending" if o < 0 else "ascending"
            passages.append(Passage(block, True, o, turned if been_out else "first"))
            last_orientation = o if been_out else 0
            continue
        peaks = np.flatnonzero(strength >= strength.max() * (1 - 1e-9))
        # The row of strongest field starts the way out; where it was read twice, the first ends the way in.
        split = int(peaks[-1])
        inward, outward = block[:split], block[split:]
        if len(outward) == 1 and len(inward):
            inward, outward = block, block[:0]
        if len(inward):
            first = not been_out and last_orientation in (0, o)
            name: Branch = "first" if first else ("descending" if o < 0 else "ascending")
            passages.append(Passage(inward, True, o, name))
        if len(outward):
            passages.append(Passage(outward, False, o, "descending" if o > 0 else "ascending"))
            been_out = True
        last_orientation = o
    return passages


def _blocks(
    strength: Floats, orientation: NDArray[np.int64], gap: Floats, at: NDArray[np.int64]
) -> list[NDArray[np.int64]]:
    """Rows in and out again without a turn-over: split where the orientation changes, and where the
    field falls far and comes back near to its strongest (a second visit with the same orientation)."""
    blocks: list[NDArray[np.int64]] = []
    if not len(at):
        return blocks
    for block in np.split(at, np.flatnonzero(np.diff(orientation[at])) + 1):
        s = strength[block]
        near = s >= NEAR * s.max()
        # Over a ring the field falls toward the hole, too; a second visit comes from farther away.
        far = (s < FAR * s.max()) & (gap[block] > gap[block[np.argmax(s)]])
        cuts: list[int] = []
        last_near: int | None = None
        for i in np.flatnonzero(near):
            if last_near is not None and np.any(far[last_near:i]):
                trough = last_near + int(np.argmin(np.where(far, s, np.inf)[last_near:i]))
                # A far end read twice ends one passage and starts the next.
                cuts.append(trough + 1)
            last_near = int(i)
        blocks += np.split(block, cuts)
    return blocks
