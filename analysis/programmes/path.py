"""The readings that carry a programme out on a bench, in the order taken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..constants import MU0
from ..errors import NotPossible
from ..magnetostatics.quadrature import mean_field
from ..planning.gap_ladder import LadderPlan, plan, planned_steps
from ..planning.passages import Visit, ZeroBy
from ..records.bench import Bench
from .predicted import with_memory
from .programme import FieldPassage, Programme
from .settings import A_DECADE, DRIFT, FIRST_WAIT


def plan_programme(
    bench: Bench,
    programme: Programme,
    points: int,
    *,
    target_u: float | None = None,
    zeros: ZeroBy | None = None,
) -> LadderPlan:
    """The steps of a programme: on each passage those of ``points`` gaps (spaced as a loop's) that lie on it,
    and both its ends. ``zeros`` as a loop's plan has them.

    Raises NotPossible as ``planning.gap_ladder.plan`` does, where a passage would have no two gaps, for a
    wait where spacers would have to be set again for each reading, and for zeros from far readings without a
    turner.
    """
    by_turner = bench.gap.turner is not None
    zeros = zeros or ("far" if by_turner else "hand")
    if zeros == "far" and not by_turner:
        raise NotPossible(
            f"{programme.name}: without a turner its zeros are read with the sample off (zeros by hand)"
        )
    if bench.gap.ladder == "spacers" and any(passage.wait for passage in programme.passages):
        raise NotPossible(
            f"{programme.name} holds the sample at one gap for hours, its zero read before and after: that "
            "wants a lift, since spacers are set by hand before each reading"
        )
    loop = plan(bench, points, target_u=target_u, zeros=zeros)
    heights = np.unique([step.height for step in loop.steps])
    Bz, _ = mean_field(bench.reference_magnet, bench.sample, bench.gap.at_height(heights))
    field = np.abs(Bz) / MU0
    part = (field - field.min()) / (field.max() - field.min())
    order = tuple(_visits(programme, part))
    if zeros == "far":
        order = _with_pairs(programme, order, len(heights) - 1)
    ladder = planned_steps(bench, loop, heights, order)
    if programme.gives != "loop":
        ladder = with_memory(ladder, bench)
    if not any(passage.wait for passage in programme.passages):
        return ladder
    held = (
        "while a field is held the zero is not read, since taking the sample off or turning it over ends the "
        f"hold: a drift of {DRIFT * 3600.0 * 1e6:.0f} mg in an hour, or what zeros before and after show, "
        "is in the uncertainty"
    )
    return replace(ladder, warnings=(*ladder.warnings, held))


def _visits(programme: Programme, part: np.ndarray) -> Iterator[Visit]:
    """Each passage's heights by number; the first of one that goes on where the last one ended is not read
    again, as the field has not changed there."""
    before: FieldPassage | None = None
    branch = "ascending"
    for leg, passage in enumerate(programme.passages):
        ends = [int(np.abs(part - end).argmin()) for end in (passage.start, passage.stop)]
        low, high = sorted(ends)
        if low == high and passage.start != passage.stop:
            raise NotPossible(
                f"{programme.name}, passage {leg + 1}: from {passage.start:g} to {passage.stop:g} of the"
                " largest field there are no two gaps; ask for more --points"
            )
        numbers = range(high, low - 1, -1) if passage.inward else range(low, high + 1)
        turned = before is None or before.orientation != passage.orientation
        if passage.start != passage.stop:
            branch = "ascending" if (passage.orientation > 0) == passage.inward else "descending"
        for number in list(numbers)[0 if turned else 1 :]:
            yield Visit(leg, passage.orientation, number, branch)
        for wait in _waits(passage.wait):
            yield Visit(leg, passage.orientation, ends[1], branch, wait=wait)
        before = passage


def _waits(wait: float) -> list[float]:
    """When a gap that is held is read, s after its first reading: evenly in the logarithm of time."""
    if not wait:
        return []
    count = max(2, round(A_DECADE * np.log10(max(wait / FIRST_WAIT, 1.0))) + 1)
    return np.geomspace(min(FIRST_WAIT, wait), wait, count).tolist()


def _with_pairs(programme: Programme, order: tuple[Visit, ...], far: int) -> tuple[Visit, ...]:
    """With a turner the zero is known by pairs at the far end: one before the first passage, one after the
    last besides those of the turns on the way."""
    first, last, after = order[0], order[-1], len(programme.passages)
    begun = () if first.height != far else (Visit(0, -first.orientation, far, first.branch, "zero"),)
    out = () if last.height == far else (Visit(after, last.orientation, far, last.branch, "zero"),)
    return (*begun, *order, *out, Visit(after, -last.orientation, far, last.branch, "zero"))
