"""A run that is planned again as its readings come: on paper, with a sample that turns over at one gap."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import pytest

from tests.support.bench.paper_run import take
from tests.support.bench.virtual_bench import BENCH_TEXT, TURNER, attraction
from tests.support.examples import in_turn
from weighloop.analysis.errors import InputError
from weighloop.daemon.procedure.branch_check import off_the_branch
from weighloop.daemon.procedure.events import BenchState
from weighloop.daemon.procedure.log_entries import restarted
from weighloop.daemon.procedure.next_task import next_task
from weighloop.daemon.procedure.plan import RunPlan, make_plan
from weighloop.daemon.procedure.replan import BENDS_HERE, answer, question
from weighloop.daemon.procedure.restart import restart
from weighloop.daemon.procedure.run import LogEvent, RunRecord, apply

#: Height at which the sample turns over, m.
TURNS = 6e-3
BENCHES = {
    "lift": BENCH_TEXT.format(ladder="lift"),
    "turner": BENCH_TEXT.format(ladder="lift") + TURNER,
    "spacers": BENCH_TEXT.format(ladder="spacers"),
}


def planned(bench: str) -> tuple[RunPlan, RunRecord]:
    plan = make_plan(BENCHES[bench], None, until="readings cannot help")
    data: dict[str, Any] = {
        "sample": "WP-07-1",
        "ladder": plan.bench.gap.ladder,
        "bench_text": BENCHES[bench],
        "target_u_kg": 2e-6,
        "seconds": plan.seconds,
        "steps": list(plan.steps),
        "limits": plan.limits,
        "few": plan.few,
        "turner": plan.turner,
    }
    run = apply(RunRecord(1), LogEvent(1, 1, 0.0, "u", "planned", "", data))
    return plan, apply(run, LogEvent(2, 1, 0.0, "u", "started", "", {}))


def weighed(run: RunRecord, magnetised: int) -> tuple[RunRecord, int]:
    """The next step done; which way the sample is magnetised along its own axis after it."""
    step = run.next_step
    assert step is not None
    height, value = step["height_m"], 0.0
    if step["kind"] == "point" and height is not None:
        magnetised = step["orientation"] if height <= TURNS else magnetised
        value = -step["orientation"] * magnetised * attraction(height)
    return take(run, value), magnetised


def replanned(run: RunRecord) -> RunRecord:
    """Planned again after the last reading, where there is something to decide."""
    asked = question(run)
    steps = answer(asked) if asked is not None else None
    if asked is None or steps is None:
        return run
    data = {"after": asked["after"]["step"], "steps": steps}
    return apply(run, LogEvent(1000 + run.done, 1, 0.0, "u", "replanned", "", data))


@cache
def whole(bench: str) -> tuple[RunPlan, RunRecord]:
    plan, run = planned(bench)
    magnetised = 1
    while run.next_step is not None:
        run, magnetised = weighed(run, magnetised)
        run = replanned(run)
    assert not run.warnings
    return plan, run


@pytest.mark.parametrize("bench", in_turn(BENCHES))
def test_readings_gather_where_the_sample_turns_over(bench: str) -> None:
    plan, run = whole(bench)
    legs = [[p["height_m"] for p in run.points if p["kind"] == "point" and p["leg"] == n] for n in range(4)]
    # One way on each passage (history), whatever was decided on it.
    for leg, heights in enumerate(legs):
        sign = -1 if leg % 2 == 0 else 1
        rising = pairwise(heights[1:] if bench == "turner" and leg == 0 else heights)
        assert all(sign * (b - a) > 0 for a, b in rising), (leg, heights)
    assert min(legs[2]) == min(legs[0]) == 0.0
    near = min(abs(b - a) for a, b in pairwise(legs[2]) if b <= TURNS + 2e-3 and a >= TURNS - 2e-3)
    plain = [s["height_m"] for s in plan.steps if s["kind"] == "point" and s["leg"] == 2]
    before = max(abs(b - a) for a, b in pairwise(plain) if b <= TURNS <= a)
    assert near <= before
    assert len(run.points) < 5 * 22 - 2
    if bench != "spacers":
        assert near < 0.6 * before
        assert any(s.get("why") == BENDS_HERE for s in run.steps if s["leg"] == 2)


@pytest.mark.costly
@pytest.mark.parametrize("bench", BENCHES)
def test_zeros_and_turns_stay_where_they_belong(bench: str) -> None:
    plan, run = whole(bench)
    assert [s["step"] for s in run.steps] == sorted({s["step"] for s in run.steps})
    kinds = [s["kind"] for s in run.steps]
    assert kinds.count("turn") == [s["kind"] for s in plan.steps].count("turn")
    turns = [i for i, kind in enumerate(kinds) if kind == "turn"]
    for before, after in pairwise(run.steps):
        if before["kind"] == after["kind"] == "point":
            assert before["orientation"] == after["orientation"]
        if bench == "spacers" and after["kind"] == "point":
            assert before["kind"] == "zero"
            assert before["spacers"] == after["spacers"]
    if bench == "lift":
        assert all(kinds[i - 1] == "zero" for i in turns)
        assert kinds[-1] == "zero"


def test_what_was_decided_too_late_is_passed_over() -> None:
    _, run = planned("lift")
    magnetised = 1
    while not any(p["leg"] == 2 and p["kind"] == "point" for p in run.points):
        run, magnetised = weighed(run, magnetised)
    asked = question(run)
    assert asked is not None
    fresh = answer(asked)
    assert fresh is not None
    run, magnetised = weighed(run, magnetised)
    late = LogEvent(999, 1, 0.0, "u", "replanned", "", {"after": asked["after"]["step"], "steps": fresh})
    assert apply(run, late).steps == run.steps


def test_a_plan_by_gaps_is_not_touched() -> None:
    plan = make_plan(BENCHES["lift"], 5)
    assert plan.few == 0
    assert {s.get("target_u_kg") for s in plan.steps if s["kind"] == "point"} == {2e-6}


def test_each_reading_has_a_target_of_its_own() -> None:
    plan, _ = planned("lift")
    targets = [s.get("target_u_kg", 0.0) for s in plan.steps if s["kind"] == "point"]
    # Twice the balance's digit at least; near the magnet the gap's own repeatability bounds what helps.
    assert min(targets) == pytest.approx(2e-6)
    assert max(targets) > 5e-6


def test_words_that_ask_for_nothing_are_named() -> None:
    with pytest.raises(InputError, match="per cent"):
        make_plan(BENCHES["lift"], None, until="HcJ")


def test_who_sets_spacers_reads_how_many_change_and_why() -> None:
    _, run = whole("spacers")
    at = next(i for i, s in enumerate(run.steps) if s.get("why") and s["kind"] == "zero")
    before = run.steps[at - 1]
    now = replace(run, done=at, spacers=before["spacers"], sample_on=False)
    task = next_task(now, BenchState(balance_ok=True))
    assert task is not None
    more = (run.steps[at]["spacers"] or 0) - (before["spacers"] or 0)
    assert (f"(put {more} back)" if more > 0 else f"(take out {-more})") in task.text
    assert task.text.endswith(f"{BENDS_HERE}.")


@pytest.mark.slow
def test_where_the_pulls_cancel_over_a_ring_no_share_is_gone_by() -> None:
    """Over the hole the gradient changes its sign, so that M = F / (V <dBz/dz>) is the ratio of two small
    numbers there (textbooks)."""
    ring = 'shape = "ring"\nouter_diameter = "20 mm"\ninner_diameter = "6 mm"'
    text = BENCHES["lift"].replace('shape = "cylinder"\ndiameter = "20 mm"', ring, 1)
    plan = make_plan(text, None, until="readings cannot help")
    _, run = planned("lift")
    run = replace(run, plan=plan.steps, steps=plan.steps, bench_text=text, done=0)
    tip = next(i for i, s in enumerate(plan.steps) if s["leg"] == 1 and s["kind"] == "point") - 1
    whole = [abs(s.get("saturated_reading_kg") or 0.0) for s in plan.steps[tip : tip + 2]]
    assert whole[0] < 0.5 * whole[1]
    while run.done <= tip:
        run = take(run, -0.9 * whole[0] if run.done == tip else 0.0)
    step = run.next_step
    assert step is not None
    assert off_the_branch(run, step, {"value_kg": -0.3 * whole[1], "u_kg": 1e-6}) == ("", ())


@pytest.mark.costly
def test_a_branch_begun_again_goes_by_the_plan_and_is_decided_again() -> None:
    _, run = planned("lift")
    magnetised = 1
    while sum(p["leg"] == 2 and p["kind"] == "point" for p in run.points) < 8:
        run, magnetised = weighed(run, magnetised)
        run = replanned(run)
    again = restart(run, "the plug was pulled", need_zero=True, moved=True)
    assert again is not None
    record = restarted("the plug was pulled", again)
    run = apply(run, LogEvent(5000, 1, 0.0, "u", record.kind, record.text, record.data))
    decided = run.steps
    while run.next_step is not None:
        run, magnetised = weighed(run, magnetised)
        run = replanned(run)
    assert not run.warnings
    assert run.steps != decided
    used = [p for p in run.points if p["kind"] == "point" and p["set_aside"] is None]
    for leg in range(4):
        heights = [p["height_m"] for p in used if p["leg"] == leg]
        sign = -1 if leg % 2 == 0 else 1
        assert len(heights) >= 2
        assert all(sign * (b - a) > 0 for a, b in pairwise(heights)), leg


@pytest.mark.parametrize("bench", ["lift", "spacers"])
def test_a_zero_is_as_good_as_ever(bench: str) -> None:
    """It counts for more than one reading, so no reading's own target is its."""
    plan, run = whole(bench)
    assert all("target_u_kg" not in s for s in (*plan.steps, *run.steps) if s["kind"] == "zero")
