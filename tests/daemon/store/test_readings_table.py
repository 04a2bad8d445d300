"""The table for the analysis, from a run as the store has it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.bench.paper_run import lift_plan, planned, spacer_plan, take
from tests.support.bench.virtual_bench import BENCH_TEXT, VirtualBench
from weighloop.daemon.procedure.run import to_protocol
from weighloop.daemon.store.readings_table import readings_of


def test_readings_of_a_run_have_their_zeros_around_them() -> None:
    run = planned(lift_plan(), "lift")
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


def test_the_temperature_measured_beside_each_reading_is_that_of_the_magnet_s_field() -> None:
    """Sintered NdFeB loses 0.11 % of its remanence a kelvin (makers' tables); it is stated at 20 degrees."""
    from weighloop.analysis.files.bench_file import parse_bench
    from weighloop.analysis.forces.branches import points
    from weighloop.analysis.magnetostatics.applied_field import node_field

    run = planned(lift_plan(), "lift")
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


def test_readings_with_spacers_use_only_the_zero_of_their_own_count() -> None:
    run = planned(spacer_plan(), "spacers")
    while (step := run.next_step) is not None:
        run = take(run, 1e-3 * (step["spacers"] or 0) if step["kind"] == "zero" else -0.01)
    table = readings_of(to_protocol(run, None))
    assert np.allclose(table.zero_before, 1e-3 * table.spacers)
    assert np.all(np.isnan(table.zero_after))


def test_a_run_without_a_reading_is_said_so() -> None:
    with pytest.raises(ValueError, match="no reading yet"):
        readings_of(to_protocol(planned(lift_plan(), "lift"), None))


def test_readings_at_the_far_end_are_rows_and_no_zeros_of_others() -> None:
    bench = VirtualBench()
    bench.start("lift", points=3, turner=True)
    bench.operate()
    assert bench.run is not None
    readings = readings_of(to_protocol(bench.run, bench.action()))
    assert len(readings) == len([s for s in bench.run.plan if s["kind"] == "point"])
    assert np.isnan(readings.zero_before).all()
    assert np.isnan(readings.zero_after).all()
