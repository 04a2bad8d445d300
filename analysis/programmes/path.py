"""The readings that carry a programme out on a bench, in the order taken."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..constants import MU0
from ..errors import NotPossible
from ..magnetostatics.quadrature import mean_field
from ..planning.gap_ladder import LadderPlan, plan, planned_steps
from ..planning.passages import Visit
from ..records.bench import Bench
from .programme import FieldPassage, Programme


def plan_programme(
    bench: Bench, programme: Programme, points: int, *, target_u: float | None = None
) -> LadderPlan:
    """The steps of a programme: on each passage those of ``points`` gaps (spaced as a loop's) that lie on it,
    and both its ends. Raises NotPossible as ``planning.gap_ladder.plan`` does, and where a passage would have
    no two gaps."""
    loop = plan(bench, points, target_u=target_u, zeros="hand")
    heights = np.unique([step.height for step in loop.steps])
    Bz, _ = mean_field(bench.reference_magnet, bench.sample, bench.gap.at_height(heights))
    field = np.abs(Bz) / MU0
    part = (field - field.min()) / (field.max() - field.min())
    order = tuple(_visits(programme, part))
    return planned_steps(bench, loop, heights, order)


def _visits(programme: Programme, part: np.ndarray) -> Iterator[Visit]:
    """Each passage's heights by number; the first of one that goes on where the last one ended is not read
    again, as the field has not changed there."""
    before: FieldPassage | None = None
    for leg, passage in enumerate(programme.passages):
        ends = [int(np.abs(part - end).argmin()) for end in (passage.start, passage.stop)]
        low, high = sorted(ends)
        if low == high and not passage.wait:
            raise NotPossible(
                f"{programme.name}, passage {leg + 1}: from {passage.start:g} to {passage.stop:g} of the"
                " largest field there are no two gaps; ask for more --points"
            )
        numbers = range(high, low - 1, -1) if passage.inward else range(low, high + 1)
        turned = before is None or before.orientation != passage.orientation
        branch = "ascending" if (passage.orientation > 0) == passage.inward else "descending"
        for number in list(numbers)[0 if turned else 1 :]:
            yield Visit(leg, passage.orientation, number, branch)
        before = passage
