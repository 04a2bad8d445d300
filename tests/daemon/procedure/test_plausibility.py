"""What a reading says of the spacers it was taken with."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from tests.support.bench.paper_run import lift_plan, planned, spacer_plan, take
from weighloop.daemon.procedure import plausibility, settings


def test_a_wrong_count_is_told_by_the_pull() -> None:
    run = planned(spacer_plan(), "spacers")
    run = replace(run, limits={k: v for k, v in run.limits.items() if k != "spacer_mass_kg"})
    plan = [s for s in run.plan if s["kind"] == "point" and s["leg"] == 1]
    predicted = {s["spacers"]: s["predicted_reading_kg"] or 0.0 for s in plan}
    wide = [abs((b["spacers"] or 0) - (a["spacers"] or 0)) for a, b in pairwise(plan)]
    assert max(wide[:5]) <= settings.WIDEST
    while (step := run.next_step) is not None and not (step["leg"] == 1 and step["kind"] == "point"):
        run = take(run, 0.0 if step["kind"] != "point" else 0.8 * (step["predicted_reading_kg"] or 0.0))
    for step in plan[:5]:
        assert run.next_step is not None
        right = 0.8 * predicted[step["spacers"]]
        assert plausibility.about(run, step, right) is None
        run = take(run, right)
        while run.next_step is not None and run.next_step["kind"] == "zero":
            run = take(run, 0.0)
    step, back = plan[5], plan[3]
    doubt = plausibility.about(run, step, 0.8 * predicted[back["spacers"]])
    assert doubt is not None
    assert doubt.spacers_wrong
    assert f"fits {back['spacers']} spacers" in doubt.text


def test_a_zero_with_the_sample_still_on_is_asked_about() -> None:
    """The lift by hands: before the sample is turned over its zero is read where the last pull was."""
    run = planned(lift_plan(), "lift")
    while (step := run.next_step) is not None and not (step["kind"] == "zero" and run.points):
        run = take(run, 0.0 if step["kind"] == "zero" else step["predicted_reading_kg"] or 0.0)
    assert step is not None
    pull = run.points[-1]["value_kg"]
    assert abs(pull) > 1e-4
    doubt = plausibility.about(run, step, pull + 2e-6)
    assert doubt is not None
    assert "Was it taken off?" in doubt.text
    assert plausibility.about(run, step, 3e-6) is None
