"""Heights and contact gap apart: what was recorded on a bench follows a later calibration of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.models.loops import readings_of, reclaimed_bench
from weighloop.analysis.planning.gap_ladder import plan
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()
CALIBRATED = replace(BENCH.gap, contact=Measured(1.05e-3, 1e-5), scale=Measured(1.002, 1e-3))


def test_a_plan_sets_heights_and_tells_the_true_gaps():
    """gap = contact + scale x height, of the bench file's definition; the heights stay the lift's own."""
    magnet = replace(BENCH.reference_magnet, pan_load=Measured(0.3))
    bench = replace(BENCH, gap=CALIBRATED, reference_magnet=magnet)
    steps = plan(bench, points=12).steps
    assert [s.gap for s in steps] == pytest.approx([1.05e-3 + 1.002 * s.height for s in steps], abs=1e-12)
    assert all(round(s.height / 1e-5) * 1e-5 == pytest.approx(s.height, abs=1e-12) for s in steps)


def test_a_run_by_a_lift_moves_with_its_bench():
    heights = np.array([0.0, 4e-3, 20e-3])
    taken = readings_of(1e-3 + heights, np.ones(3), -np.ones(3))
    np.testing.assert_allclose(taken.moved(BENCH.gap, CALIBRATED).gap, 1.05e-3 + 1.002 * heights, atol=1e-12)
    # There and back again.
    back = taken.moved(BENCH.gap, CALIBRATED).moved(CALIBRATED, BENCH.gap)
    np.testing.assert_allclose(back.gap, taken.gap, atol=1e-12)


def test_a_run_by_spacers_moves_with_their_thickness():
    shims = replace(BENCH.gap, ladder="spacers")
    thinner = replace(shims, contact=Measured(1.1e-3), spacer=Measured(0.99e-3))
    taken = readings_of(np.array([1e-3, 6e-3]), np.ones(2), -np.ones(2), spacers=np.array([0.0, 5.0]))
    np.testing.assert_allclose(taken.moved(shims, thinner).gap, [1.1e-3, 6.05e-3], atol=1e-12)
    # By a lift or by spacers: what the one recorded says nothing to the other.
    np.testing.assert_array_equal(taken.moved(shims, BENCH.gap).gap, taken.gap)
