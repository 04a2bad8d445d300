"""The picture: a snapshot kept up to date event by event."""

from __future__ import annotations

import pytest

import tests.support.screen.scripted_daemon as S
from weighloop.tui.state.snapshot import LiveSnapshot, bench_facts, foreseen, last_zero, next_step, pulls


def snapshot(done: int = 17) -> LiveSnapshot:
    found = LiveSnapshot(now=lambda: 50.0)
    found.take(S.snapshot(S.run_at(done), S.live_at(100.0)))
    return found


def test_live_readings_make_the_trace_once_each() -> None:
    p = snapshot()
    p.apply("live", S.live_at(100.1, -12e-3))
    p.apply("live", S.live_at(100.1, -12e-3))  # the same word again
    assert [t for t, _ in p.trace] == [100.0, 100.1]
    p.apply("live", S.live_at(3.0))  # a daemon started again has another clock
    assert [t for t, _ in p.trace] == [3.0]


def test_a_number_the_balance_did_not_show_is_not_drawn() -> None:
    p = snapshot()
    p.apply("live", S.live_at(100.1, reading=None, mark="overload"))
    assert len(p.trace) == 1


def test_a_point_is_added_once_and_changed_in_place() -> None:
    p = snapshot()
    assert p.run is not None
    before = len(p.run["points"])
    point = S.points_of(S.plan(), 18)[-1]
    assert p.apply("point", point)
    assert p.apply("point", {**point, "set_aside": "touched"})
    assert len(p.run["points"]) == before + 1
    assert p.run["points"][-1]["set_aside"] == "touched"


def test_a_point_without_a_run_asks_for_everything() -> None:
    p = LiveSnapshot()
    p.take(S.snapshot(None))
    assert not p.apply("point", S.points_of(S.plan(), 2)[-1])


def test_ages_follow_the_clock_given() -> None:
    now = 50.0
    p = LiveSnapshot(now=lambda: now)
    p.take(S.snapshot(S.run_at(), S.live_at(100.0)))
    now = 54.0
    assert p.silent_for() == pytest.approx(4.0)
    assert p.devices_later() == pytest.approx(4.0)


def test_pulls_count_from_the_zero_before_and_attraction_is_up() -> None:
    run = S.run_at(13)  # the first passage whole
    zero = 5e-6
    for point in run["points"]:
        point["value_kg"] += zero
    run["points"][0]["value_kg"] = zero
    strongest = max(pulls(run), key=lambda p: p.field)
    # A saturated sample over the magnet's face, field along it: attracted.
    assert strongest.pull > 0.05
    assert last_zero(run) == zero
    step = run["steps"][12]
    expected = -(step["predicted_reading_kg"] or 0.0)
    assert strongest.pull == pytest.approx(expected, abs=2e-6)


def test_what_is_to_come_is_predicted_by_the_loop_itself() -> None:
    """M and H change sign together on the other branch (the loop's symmetry), so that a gap pulls alike."""
    run = S.run_at(38)  # three passages and a part of the fourth; the script's loop is symmetric
    truth = S.plan()
    for step in run["steps"]:
        step["predicted_reading_kg"] = 1e-3  # a plan that knows nothing of this sample
    ahead = list(foreseen(run))
    assert [f.step["step"] for f in ahead] == [s["step"] for s in truth[38:] if s["kind"] == "point"]
    assert all(f.by_the_loop for f in ahead)
    for f in ahead:
        weighed = -(truth[f.step["step"] - 1]["predicted_reading_kg"] or 0.0)
        assert f.pull == pytest.approx(weighed, abs=3e-6)  # the script's readings are off by up to 1 mg each


def test_before_the_turn_only_the_plan_predicts() -> None:
    run = S.run_at(17)
    ahead = list(foreseen(run))
    assert not ahead[0].by_the_loop
    assert ahead[0].pull == pytest.approx(-(run["steps"][17]["predicted_reading_kg"] or 0.0))
    # A reading that was set aside predicts nothing.
    run = S.run_at(38)
    for point in run["points"]:
        point["set_aside"] = "touched"
    assert not any(f.by_the_loop for f in foreseen(run))


def test_heavier_balances_turn_the_sign() -> None:
    assert bench_facts(S.BENCH.format(ladder="lift")) == (-1.0, 3)
    assert bench_facts('[balance]\nattraction = "heavier"\nresolution = "0.1 mg"\n') == (1.0, 4)
    assert bench_facts("not toml [") == (-1.0, 3)


def test_the_next_step_ends_with_the_run() -> None:
    assert next_step(S.run_at(0)) is not None
    assert next_step(S.run_at(10_000)) is None
