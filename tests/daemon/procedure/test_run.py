"""A run as its log makes it."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.support.bench.paper_run import lift_plan, planned, until
from weighloop.daemon.procedure.run import LogEvent, apply, replay
from weighloop.daemon.protocol import Point, Step


def test_an_unknown_event_changes_nothing() -> None:
    run = planned(lift_plan(), "lift")
    after = apply(run, LogEvent(99, 1, 0.0, "u", "of a later program", "", {}))
    assert replace(after, upto=run.upto) == run
    assert replay(1, []).state == "planned"


def test_types_are_those_of_the_protocol() -> None:
    run = until(planned(lift_plan(), "lift"), 0, 1)
    where_known = {"vouched", "noise_kg", "balance", "current_A", "resistance_ohm", "seat_m"}
    assert set(run.points[0]) == set(Point.__annotations__) - where_known
    assert set(run.steps[1]) == set(Step.__annotations__) - {"current_A", "why", "wait_s", "seat_m"}
    assert math.isfinite(run.points[0]["value_kg"])
