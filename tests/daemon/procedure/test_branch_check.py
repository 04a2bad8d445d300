"""A reading with a lift fits its gap by physics: M rises with the field on every branch of every sample."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from tests.support.bench.paper_run import lift_plan, planned, take
from weighloop.daemon.procedure.branch_check import off_the_branch
from weighloop.daemon.procedure.run import RunRecord
from weighloop.daemon.protocol import Step

READING = {"u_kg": 1e-6}


def taken(run: RunRecord, shares: list[float]) -> tuple[RunRecord, list[str]]:
    """The first points of the plan as shares of saturation; what was said against each."""
    said = []
    left = list(shares)
    while left:
        step = run.next_step
        assert step is not None
        value = 0.0 if step["kind"] != "point" else left.pop(0) * (step.get("saturated_reading_kg") or 0.0)
        said.append(off_the_branch(run, step, READING | {"value_kg": value})[0])
        run = take(run, value)
    return run, [text for text in said if text]


@given(st.lists(st.floats(0.0, 1.0), min_size=5, max_size=5), st.lists(st.floats(0.0, 1.0), min_size=4))
def test_no_branch_of_a_sample_is_doubted(inward: list[float], outward: list[float]) -> None:
    """Whatever rises on the way in and falls on the way out: turned early, saturated or hardly magnetic."""
    first = sorted(inward)
    back = sorted((share * first[-1] for share in outward[:4]), reverse=True)
    assert taken(planned(lift_plan(), "lift"), first + back)[1] == []


def test_a_stop_short_on_the_way_in_and_on_the_way_out_is_seen() -> None:
    run = planned(lift_plan(), "lift")
    (text,) = taken(run, [0.4, 0.4, 0.3])[1]
    assert "magnetisation would go back by 25 %" in text
    for out in ([0.5], [0.4, 0.5]):  # from the closest gap too
        (text,) = taken(run, [0.4] * 5 + out)[1]
        assert "did the lift stop short of one of them?" in text


def test_what_a_homing_has_not_confirmed_is_doubtful_with_it() -> None:
    run, _ = taken(planned(lift_plan(), "lift"), [0.4, 0.4, 0.4])
    step: Step | None = run.next_step
    assert step is not None
    value = 0.2 * (step.get("saturated_reading_kg") or 0.0)
    text, doubtful = off_the_branch(run, step, READING | {"value_kg": value})
    assert text
    assert [p["id"] for p in doubtful] == [p["id"] for p in run.points if p["kind"] == "point"]


def test_a_pair_that_does_not_come_back_among_pairs_that_do() -> None:
    """By the loop's symmetry; a sample that is not turned shows by its first pair."""
    run = planned(lift_plan(), "lift")
    branch = [-0.4, -0.3, 0.1, 0.3, 0.4]
    loop = [0.4] * 5 + [0.4] * 4 + branch + [0.4] * 4
    assert taken(run, loop + branch)[1] == []
    (text,) = taken(run, [*loop, -0.4, -0.1])[1]
    assert "is not the one of two passages before" in text
    hard = [0.4] * 5 + [0.4] * 4 + [-0.4] * 5 + [-0.4] * 4 + [0.4] * 5
    assert taken(run, hard)[1] == []


def test_a_zero_read_before_a_branch_is_begun_again_is_no_pair() -> None:
    """At the far end, named by the passage before: but the sample has seen the strongest field since."""
    branch = [-0.4, -0.3, 0.1, 0.3, 0.4]
    run, said = taken(planned(lift_plan(), "lift"), [0.4] * 5 + [0.4] * 4 + branch)
    far = next(p for p in run.points if p["leg"] == 2 and p["kind"] == "point")
    zero = replace(run, points=(*run.points, {**far, "id": 900, "value_kg": -far["value_kg"]}))
    again, more = taken(zero, [0.4] * 4 + branch)
    assert said + more == []
    assert again.next_step is None or again.next_step["leg"] > 3


def test_a_far_reading_before_a_branch_is_begun_again_is_on_no_passage() -> None:
    """The sample was in the strongest field since the passage that the step is named by began."""
    branch = [-0.4, -0.3, 0.1, 0.3, 0.4]
    run, _ = taken(planned(lift_plan(), "lift"), [0.4] * 5 + [0.4] * 4 + branch + [0.4] * 4 + branch)
    far, *_, top = (s for s in run.plan if s["leg"] == 4 and s["kind"] == "point")
    last = max(s["step"] for s in run.steps)
    again = [{**far, "step": last + 1}, {**top, "step": last + 2}]
    run = replace(run, steps=(*run.steps, *again))  # type: ignore[arg-type]
    reading = READING | {"value_kg": 0.4 * (far.get("saturated_reading_kg") or 0.0)}
    assert off_the_branch(run, run.steps[-2], reading) == ("", ())


def test_a_plan_that_does_not_say_what_saturation_makes_doubts_nothing() -> None:
    run = planned(lift_plan(), "lift")
    for step in (*run.plan, *run.steps):
        assert step["kind"] != "point" or step.get("saturated_reading_kg")
    old = [{k: v for k, v in step.items() if k != "saturated_reading_kg"} for step in run.plan]
    run = replace(run, plan=tuple(old), steps=tuple(old))  # type: ignore[arg-type]
    step = run.next_step
    assert step is not None
    run = take(take(run, 0.0), -0.02)
    assert run.next_step is not None
    assert off_the_branch(run, run.next_step, READING | {"value_kg": 0.0}) == ("", ())
