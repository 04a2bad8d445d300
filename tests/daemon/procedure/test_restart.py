"""Where a run begins again when its history is in doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.support.bench.paper_run import lift_plan, planned, until
from tests.support.bench.virtual_bench import BENCH_TEXT
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.programmes.path import plan_programme
from weighloop.analysis.programmes.programme import programme
from weighloop.daemon.procedure.restart import restart
from weighloop.daemon.protocol import Step


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


@pytest.mark.parametrize("name", ["recoil", "remanence", "reversal"])
def test_a_branch_of_any_programme_begins_at_the_largest_field_before_it(name: str) -> None:
    """Return-point memory (Madelung 1905; Mayergoyz 2003, wiping-out): the largest field leaves no trace of
    what was before it, a smaller one does."""
    bench = parse_bench(BENCH_TEXT.format(ladder="lift"), "bench")
    ladder = plan_programme(bench, programme(name), 16)
    like = next(step for step in lift_plan().steps if step["kind"] == "point")
    steps: list[Step] = [
        {
            **like,
            "step": s.step,
            "leg": s.leg,
            "height_m": s.height,
            "orientation": 1 if s.orientation > 0 else -1,
            "H_applied_A_per_m": s.H_applied,
        }
        for s in ladder.steps
    ]
    zero = lift_plan().steps[0]  # with the sample off
    run = replace(planned(lift_plan(), "lift"), plan=(zero, *steps), steps=tuple(steps))
    largest = max(abs(step["H_applied_A_per_m"] or 0.0) for step in steps)
    for leg in sorted({step["leg"] for step in steps if step["leg"]}):
        of_leg = [i for i, step in enumerate(steps) if step["leg"] == leg]
        if len(of_leg) < 2:
            continue
        done = of_leg[1]
        plan = restart(replace(run, done=done), "reset", need_zero=False, moved=True)
        assert plan is not None
        walk = [(s["leg"], s["H_applied_A_per_m"]) for s in plan.steps if s["kind"] == "point"]
        before = [(s["leg"], s["H_applied_A_per_m"]) for s in steps[: of_leg[0]]]
        tops = [i for i, (_, field) in enumerate(before) if abs(field or 0.0) == largest]
        whole = [(s["leg"], s["H_applied_A_per_m"]) for s in steps]
        assert walk == (whole[tops[-1] :] if tops else whole)
