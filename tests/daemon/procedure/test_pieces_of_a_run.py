"""Plan, history, hands, and the table for the analysis: pure functions, one by one."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from tests.support.virtual_bench import BENCH_TEXT
from weighloop.daemon.procedure import drift
from weighloop.daemon.procedure import plausibility as doubts
from weighloop.daemon.procedure import restart as history
from weighloop.daemon.procedure.plan import RunPlan, make_plan
from weighloop.daemon.procedure.run import LogEvent, RunRecord, apply, replay, to_protocol
from weighloop.daemon.protocol import Point, Step
from weighloop.daemon.store.readings_table import readings_of


@pytest.fixture(scope="module")
def lift_plan() -> RunPlan:
    return make_plan(BENCH_TEXT.format(ladder="lift"), 5)


@pytest.fixture(scope="module")
def spacer_plan() -> RunPlan:
    return make_plan(BENCH_TEXT.format(ladder="spacers"), 16)


def planned(plan: RunPlan, ladder: str) -> RunRecord:
    data = {
        "sample": "WP-07-1",
        "ladder": ladder,
        "bench_text": "",
        "target_u_kg": 2e-6,
        "seconds": plan.seconds,
        "steps": list(plan.steps),
        "limits": plan.limits,
    }
    return apply(RunRecord(1), LogEvent(1, 1, 0.0, "u", "planned", "", data))


def take(run: RunRecord, value: float) -> RunRecord:
    """The next step, done with this reading (kg)."""
    step = run.next_step
    assert step is not None
    number = 10 + len(run.points) + run.done
    if step["kind"] == "turn":
        data: dict[str, Any] = {"orientation": step["orientation"], "sample_on": True, "step_done": True}
        return apply(run, LogEvent(number, 1, 0.0, "u", "hands", "", data))
    point = {
        **{key: step[key] for key in ("step", "kind", "leg", "gap_m", "height_m", "spacers", "orientation")},
        "value_kg": value,
        "u_kg": 1e-6,
        "drift_kg_per_s": 0.0,
        "time_s": float(number),
        "utc": "u",
        "settled_in_s": 3.0,
        "temperature_K": 294.0,
        "hall_V": 2.5,
        "vibration_V": None,
        "set_aside": None,
        "note": "",
    }
    run = replace(run, orientation=step["orientation"], spacers=step["spacers"])
    return apply(run, LogEvent(number, 1, 0.0, "u", step["kind"], "", {"point": point}))


def until(run: RunRecord, leg: int, points: int) -> RunRecord:
    """Done up to so many points of a leg."""
    while sum(p["kind"] == "point" and p["leg"] == leg for p in run.points) < points:
        run = take(run, -0.01)
    return run


class TestPlan:
    def test_zero_and_turn_stand_between_the_orientations(self, lift_plan: RunPlan) -> None:
        kinds = [step["kind"] for step in lift_plan.steps]
        assert kinds[0] == "zero"
        assert kinds[-1] == "zero"
        for before, after in pairwise(lift_plan.steps):
            if before["kind"] == "point" and after["kind"] == "point":
                assert before["orientation"] == after["orientation"]
        turns = [i for i, kind in enumerate(kinds) if kind == "turn"]
        assert len(turns) == 2
        assert all(kinds[i - 1] == "zero" for i in turns)

    def test_numbers_are_the_places(self, spacer_plan: RunPlan) -> None:
        assert [step["step"] for step in spacer_plan.steps] == list(range(1, len(spacer_plan.steps) + 1))

    def test_each_point_with_spacers_follows_its_zero(self, spacer_plan: RunPlan) -> None:
        for before, after in pairwise(spacer_plan.steps):
            if after["kind"] == "point":
                assert before["kind"] == "zero"
                assert before["spacers"] == after["spacers"]


class TestHistory:
    @pytest.mark.parametrize(("leg", "points"), [(0, 2), (1, 1), (1, 3), (2, 2), (3, 1), (4, 3)])
    def test_the_branch_begins_again_at_its_strongest_field(
        self, lift_plan: RunPlan, leg: int, points: int
    ) -> None:
        run = until(planned(lift_plan, "lift"), leg, points)
        plan = history.restart(run, "reset", need_zero=False, moved=True)
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

    def test_numbers_are_never_used_twice(self, lift_plan: RunPlan) -> None:
        run = until(planned(lift_plan, "lift"), 1, 2)
        plan = history.restart(run, "reset", need_zero=True, moved=True)
        assert plan is not None
        old = {step["step"] for step in run.steps}
        assert old.isdisjoint(step["step"] for step in plan.steps)

    def test_nothing_is_spoilt_where_nothing_moved(self, lift_plan: RunPlan) -> None:
        run = until(planned(lift_plan, "lift"), 1, 2)
        assert history.restart(run, "held", need_zero=False, moved=False) is None


class TestHands:
    def test_a_wrong_count_is_told_by_the_pull(self, spacer_plan: RunPlan) -> None:
        run = planned(spacer_plan, "spacers")
        run = replace(run, limits={k: v for k, v in run.limits.items() if k != "spacer_mass_kg"})
        plan = [s for s in run.plan if s["kind"] == "point" and s["leg"] == 1]
        foretold = {s["spacers"]: s["predicted_reading_kg"] or 0.0 for s in plan}
        wide = [abs((b["spacers"] or 0) - (a["spacers"] or 0)) for a, b in pairwise(plan)]
        assert max(wide[:5]) <= doubts.WIDEST
        while (step := run.next_step) is not None and not (step["leg"] == 1 and step["kind"] == "point"):
            run = take(run, 0.0 if step["kind"] != "point" else 0.8 * (step["predicted_reading_kg"] or 0.0))
        for step in plan[:5]:
            assert run.next_step is not None
            right = 0.8 * foretold[step["spacers"]]
            assert doubts.about(run, step, right) is None
            run = take(run, right)
            while run.next_step is not None and run.next_step["kind"] == "zero":
                run = take(run, 0.0)
        step, back = plan[5], plan[3]
        doubt = doubts.about(run, step, 0.8 * foretold[back["spacers"]])
        assert doubt is not None
        assert doubt.spacers_wrong
        assert f"fits {back['spacers']} spacers" in doubt.text


def test_drift_is_the_change_of_the_pull_at_the_mirrored_far_end(lift_plan: RunPlan) -> None:
    run = planned(lift_plan, "lift")
    zeros = iter([0.001, 0.002, 0.003])
    last_of_3 = [s for s in run.plan if s["kind"] == "point" and s["leg"] == 3][-1]
    while (step := run.next_step) is not None and step != last_of_3:
        if step["kind"] == "point":
            assert drift.drift_check(run, step, -0.01, 1e-6) is None
        run = take(run, next(zeros) if step["kind"] == "zero" else -0.01)
    check = drift.drift_check(run, last_of_3, -0.0085, 1e-6)
    assert check is not None
    # By hand: then -0.01 - 0.001, now -0.0085 - 0.002; four readings of 1 mg each.
    assert check["change_kg"] == pytest.approx(0.0005)
    assert check["u_kg"] == pytest.approx(2e-6)
    assert "look at the zeros" in drift.in_words(check)


def test_readings_of_a_run_have_their_zeros_around_them(lift_plan: RunPlan) -> None:
    run = planned(lift_plan, "lift")
    zeros = iter([0.001, 0.002, 0.003, 0.004])
    while (step := run.next_step) is not None:
        run = take(run, next(zeros) if step["kind"] == "zero" else -0.01)
    table = readings_of(to_protocol(run, None))
    first = table.orientation == 1
    legs = np.array([p["leg"] for p in run.points if p["kind"] == "point"])
    assert np.all(table.zero_before[first & (legs < 2)] == 0.001)
    assert np.all(table.zero_after[first & (legs < 2)] == 0.002)
    assert np.all(table.zero_before[~first] == 0.002)
    assert np.all(table.zero_after[~first] == 0.003)
    assert np.all(table.zero_before[legs == 4] == 0.003)
    assert np.all(table.zero_after[legs == 4] == 0.004)
    assert list(table.row) == list(range(1, len(table) + 1))
    assert table.time[0] == 0.0


def test_the_temperature_measured_beside_each_reading_is_that_of_the_magnet_s_field(
    lift_plan: RunPlan,
) -> None:
    """Sintered NdFeB loses 0.11 % of its remanence a kelvin (makers' tables); it is stated at 20 degrees."""
    from weighloop.analysis.files.bench_file import parse_bench
    from weighloop.analysis.forces.branches import points
    from weighloop.analysis.magnetostatics.applied_field import node_field

    run = planned(lift_plan, "lift")
    while (step := run.next_step) is not None:
        run = take(run, 0.0 if step["kind"] == "zero" else -0.01)
    warm = [p | {"temperature_K": 293.15 + 2.0 * number} for number, p in enumerate(run.points)]
    bench = parse_bench(BENCH_TEXT.format(ladder="lift"), "bench")
    fields = [
        node_field(points(readings_of(to_protocol(replace(run, points=taken), None)), bench), bench).H
        for taken in (warm, [p | {"temperature_K": 293.15} for p in run.points])
    ]
    kelvin = np.array([p["temperature_K"] - 293.15 for p in warm if p["kind"] == "point"])
    np.testing.assert_allclose(fields[0] / fields[1], np.c_[1 - 0.0011 * kelvin] * np.ones_like(fields[0]))


def test_readings_with_spacers_use_only_the_zero_of_their_own_count(spacer_plan: RunPlan) -> None:
    run = planned(spacer_plan, "spacers")
    while (step := run.next_step) is not None:
        run = take(run, 1e-3 * (step["spacers"] or 0) if step["kind"] == "zero" else -0.01)
    table = readings_of(to_protocol(run, None))
    assert np.allclose(table.zero_before, 1e-3 * table.spacers)
    assert np.all(np.isnan(table.zero_after))


def test_a_run_without_a_reading_is_said_so(lift_plan: RunPlan) -> None:
    with pytest.raises(ValueError, match="no reading yet"):
        readings_of(to_protocol(planned(lift_plan, "lift"), None))


def test_an_unknown_event_changes_nothing(lift_plan: RunPlan) -> None:
    run = planned(lift_plan, "lift")
    assert apply(run, LogEvent(99, 1, 0.0, "u", "of a later program", "", {})) == run
    assert replay(1, []).state == "planned"


def test_types_are_those_of_the_protocol(lift_plan: RunPlan) -> None:
    run = until(planned(lift_plan, "lift"), 0, 1)
    assert set(run.points[0]) == set(Point.__annotations__)
    assert set(run.steps[0]) == set(Step.__annotations__)
    assert math.isfinite(run.points[0]["value_kg"])
