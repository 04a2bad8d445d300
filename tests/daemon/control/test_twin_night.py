"""A loop on the twin that needs nobody, through a power cut, on a clock turned by hand: the twin's physics is
the outside that each reading is held against."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.bench.twin_night import TwinNight


@pytest.mark.slow
def test_a_loop_goes_on_by_itself_after_a_power_cut(tmp_path: Path) -> None:
    night = TwinNight(tmp_path / "store.sqlite", seed=4)
    night.plan(points=3, loops=1)
    while night.run is None or night.run.done < 10:
        night.advance(1)
    night.power_cut(20)
    for _ in range(1200):
        night.advance(1)
        if night.run is not None and night.run.state == "finished":
            break
    run = night.store.record(1)
    assert run.state == "finished", run.why
    assert night.asked == []
    assert {point["id"] for point in run.points} == set(night.told)
    for point in run.points:
        if point["set_aside"] is None:
            truth = night.truths[point["id"]]
            assert abs(truth.height - (point["height_m"] or 0.0)) < 20e-6
            assert abs(truth.aspect - point["orientation"]) < 0.01
            assert abs(truth.value - point["value_kg"]) < max(6 * point["u_kg"], 3e-6)
