"""The drift check at the mirrored far end."""

from __future__ import annotations

import pytest

from tests.support.bench.paper_run import lift_plan, planned, take
from weighloop.daemon.procedure import drift


def test_drift_is_the_change_of_the_pull_at_the_mirrored_far_end() -> None:
    run = planned(lift_plan(), "lift")
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
