"""The readings of a loop in the order taken: its passages, and at the far end what the zero is known by.

**Zeros by hand** (``zeros="hand"``): a person takes the sample off for each zero. The readings are those of
the five passages of ``LEGS``; where zeros are read is the procedure's affair.

**Zeros from far readings** (``zeros="far"``): nobody takes the sample off. At the far end the sample's pull
is small and changes its sign when the sample is turned over, so that readings there tell the zero of the
balance together with the magnetisation (``inversion.joint_fit``). Such readings are ordinary readings with
the sample on, rows of the notebook like all others:

- *With a turner* the sample is turned over at the farthest gap, which is at or above the turning height.
  The last reading out and the first one in after a turn are a pair there. Two more pairs belong to the plan:
  orientation -1 before the first passage, and +1 and -1 after the last one.
- *Without a turner* every passage out reads more heights of the far end, and after the last passage in there
  is one more out to these heights.

The order of such a plan, r being a reading and T a turn at the farthest gap:

    turner     r-  T  passages 1, 2 (+)  T  passages 3, 4 (-)  T  passage 5 (+)  out: r+  T  r-
    no turner         passages 1, 2 (+)  T  passages 3, 4 (-)  T  passage 5 (+)  out: r+ r+ r+ r+

A sparse plan ends with passage 4: where that begins it is seen whether the branches have met, as well as
where passage 5 would end, as a loop between two fields of one size is symmetric.

**For whoever carries a plan out**: take ``LadderPlan.steps`` in order, all with the sample on. Wherever the
orientation of two successive steps differs the sample is turned over between them, at the height of both,
which is the same: with a turner by the lift itself, else by a person. ``purpose`` is "zero" for the readings
that are taken for the zero's sake; they are recorded as all others. After passage 5 the lift goes out to the
first of them without a reading on the way. ``leg`` counts from 0; readings before the first passage have that
of the first, those after the last have ``AFTER``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np

from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Branch
from .settings import (
    FAR_HEIGHTS,
    SECONDS_A_METRE,
    SECONDS_OF_TURNER,
    SECONDS_TO_HOME,
    SECONDS_TO_MOVE,
    SECONDS_TO_SETTLE,
    SECONDS_TO_TURN,
)

#: How the zero of the balance is known: by taking the sample off, or by readings at the far end.
ZeroBy = Literal["hand", "far"]


#: (orientation, direction of travel, branch) of the legs of a loop.
LEGS: tuple[tuple[int, Literal["in", "out"], Branch], ...] = (
    (1, "in", "first"),
    (1, "out", "descending"),
    (-1, "in", "descending"),
    (-1, "out", "ascending"),
    (1, "in", "ascending"),
)
#: The leg on which the sample turns over: in, after the turn.
TURNS_OVER = 2
#: The leg of what is read after the last passage.
AFTER = len(LEGS)


@dataclass(frozen=True)
class LadderStep:
    """One reading to take. Lengths in m, fields and magnetisation in A/m, reading in kg.

    ``height`` is that of lift or spacers above the closest position, ``spacers`` their number (None with a
    lift). ``predicted_reading`` is the change of reading against zero the assumed loop makes,
    ``saturated_reading`` the one that its saturation makes, magnetised along the field;
    ``target_u`` (kg) is the uncertainty wanted of the reading, ``expected_u_M`` what it makes of M here.
    ``purpose``: "zero" where it is read for the balance's zero, "loop" otherwise. ``wait``: it is read so
    long after the gap's first reading, s.
    """

    step: int
    leg: int
    gap: float
    height: float
    spacers: int | None
    orientation: int
    H_applied: float
    predicted_reading: float
    saturated_reading: float
    H_internal: float
    expected_u_M: float
    target_u: float
    branch: Branch
    purpose: Literal["loop", "zero"] = "loop"
    wait: float = 0.0


class Attendance(NamedTuple):
    """When a person is needed: ``after_step`` of the plan (0: before the first), ``seconds`` from the start
    as expected, and what for."""

    after_step: int
    seconds: float
    what: Literal["place the sample", "turn the sample over", "take the sample off"]


class Visit(NamedTuple):
    """One reading of a loop by the number of its height, rising."""

    leg: int
    orientation: int
    height: int
    branch: Branch
    purpose: Literal["loop", "zero"] = "loop"
    wait: float = 0.0


def visits(
    ladders: Sequence[Sequence[int]], far: Sequence[int], *, turner: bool, closing: bool = True
) -> Iterator[Visit]:
    """The readings of a loop in the order taken; ``ladders`` are the heights of each passage, ``far`` those
    that are read besides for the zero (with a turner: the farthest alone), all rising; no ``far``: zeros
    by hand. ``closing``: the zero is read after the last passage too."""
    if far and turner:
        yield Visit(0, -1, far[-1], "first", "zero")
    for leg, (ladder, (orientation, direction, branch)) in enumerate(zip(ladders, LEGS, strict=False)):
        if direction == "in":
            for height in reversed(ladder):
                yield Visit(leg, orientation, height, branch)
            continue
        for height in sorted({*ladder[1:], *far}):
            yield Visit(leg, orientation, height, branch, "loop" if height in ladder else "zero")
    if not closing:
        return
    for height in far:
        yield Visit(AFTER, 1, height, "descending", "zero")
    if far and turner:
        yield Visit(AFTER, -1, far[-1], "descending", "zero")


def far_heights(heights: Floats, *, turner: bool) -> list[int]:
    """Numbers of the heights (m, rising) that are read for the zero."""
    if turner:
        return [len(heights) - 1]
    return sorted({int(np.abs(heights - part * heights[-1]).argmin()) for part in FAR_HEIGHTS})


def attendance(
    steps: tuple[LadderStep, ...], bench: Bench, zeros: ZeroBy
) -> tuple[tuple[Attendance, ...], float]:
    """When a person is expected to be needed, and when the run to be done, s."""
    found = [Attendance(0, 0.0, "place the sample")]
    lift = bench.gap.ladder == "lift"
    each = SECONDS_TO_MOVE[bench.gap.ladder] + SECONDS_TO_SETTLE
    by_itself = bench.gap.turner is not None and zeros == "far"
    at = each + SECONDS_TO_HOME * lift
    for before, after in pairwise(steps):
        if before.orientation != after.orientation:
            if not by_itself:
                found.append(Attendance(before.step, at, "turn the sample over"))
            at += SECONDS_OF_TURNER if by_itself else SECONDS_TO_TURN
        way = SECONDS_A_METRE * abs(after.height - before.height) * lift
        at += max(each + way, after.wait - before.wait)
    if zeros == "hand":
        found.append(Attendance(len(steps), at, "take the sample off"))
    return tuple(found), at
