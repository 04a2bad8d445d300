"""Where a run begins again when its history is in doubt."""

from __future__ import annotations

import pytest

from tests.support.bench.paper_run import lift_plan, planned, until
from weighloop.daemon.procedure.restart import restart


@pytest.mark.parametrize(("leg", "points"), [(0, 2), (1, 1), (1, 3), (2, 2), (3, 1), (4, 3)])
def test_the_branch_begins_again_at_its_strongest_field(leg: int, points: int) -> None:
    run = until(planned(lift_plan(), "lift"), leg, points)
    plan = restart(run, "reset", need_zero=False, moved=True)
    assert plan is not None
    walk = [step for step in plan.steps if step["kind"] == "point"]
    orientation = -1 if leg in (3, 4) else 1
    strongest = max(abs(s["H_applied_A_per_m"] or 0.0) for s in run.plan)
    assert walk[0]["orientation"] == orientation
    if leg > 0:
        assert abs(walk[0]["H_applied_A_per_m"] or 0.0) == strongest
    # The sample must lie the way of the branch's start, or be turned before anything is read.
    kinds = [step["kind"] for step in plan.steps]
    assert ("turn" in kinds[: kinds.index("point")]) == (run.orientation != orientation)
    # Every point of the branch so far is set aside, and nothing of another branch.
    branch = {0: (0,), 1: (1, 2), 2: (1, 2), 3: (3, 4), 4: (3, 4)}[leg]
    lead = {0: None, 1: 0, 2: 0, 3: 2, 4: 2}[leg]
    for point in run.points:
        if point["kind"] == "point" and point["leg"] in branch:
            assert point["id"] in plan.set_aside
        elif point["id"] in plan.set_aside:
            assert point["leg"] == lead


def test_numbers_are_never_used_twice() -> None:
    run = until(planned(lift_plan(), "lift"), 1, 2)
    plan = restart(run, "reset", need_zero=True, moved=True)
    assert plan is not None
    old = {step["step"] for step in run.steps}
    assert old.isdisjoint(step["step"] for step in plan.steps)


def test_nothing_is_spoilt_where_nothing_moved() -> None:
    run = until(planned(lift_plan(), "lift"), 1, 2)
    assert restart(run, "held", need_zero=False, moved=False) is None
