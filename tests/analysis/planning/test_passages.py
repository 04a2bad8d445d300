"""A loop without hands: what is read at the far end, where the sample is turned, when a person is needed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from tests.support.models.loops import TanhLoop, readings_of, reclaimed_bench
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.forces.branches import points as points_of
from weighloop.analysis.planning.expected_uncertainty import expected
from weighloop.analysis.planning.gap_ladder import plan
from weighloop.analysis.records.bench import Turner
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()
BENCH = replace(BENCH, reference_magnet=replace(BENCH.reference_magnet, pan_load=Measured(0.3)))
LIFT = replace(BENCH, gap=replace(BENCH.gap, spacer=None, spacers=None))
TURNER = replace(LIFT, gap=replace(LIFT.gap, turner=Turner()))


def turns(steps):
    return [(a, b) for a, b in pairwise(steps) if a.orientation != b.orientation]


def test_a_turner_reads_both_orientations_far_away_before_between_and_after():
    planned = plan(TURNER, 12)
    assert planned.zeros == "far"
    assert len(planned.steps) == 5 * 12 - 2 + 3
    found = turns(planned.steps)
    # Before the loop, twice in it, after it: four pairs, each at one and the same height.
    assert [(a.orientation, b.orientation) for a, b in found] == [(-1, 1), (1, -1), (-1, 1), (1, -1)]
    assert all(a.height == b.height == pytest.approx(49e-3) for a, b in found)
    assert [s.leg for s in planned.steps if s.purpose == "zero"] == [0, 5, 5]
    # The loop itself is what it is with zeros by hand.
    loop = [s for s in planned.steps if s.purpose == "loop"]
    by_hand = plan(LIFT, 12, zeros="hand").steps
    assert [(s.leg, s.orientation) for s in loop] == [(s.leg, s.orientation) for s in by_hand]


@pytest.mark.parametrize("fields", [None, [60e3, 120e3, 200e3]])
def test_no_turn_below_the_turning_height(fields):
    bench = replace(TURNER, gap=replace(TURNER.gap, turner=Turner(turning_height=48e-3)))
    for before, after in turns(plan(bench, 12, fields=fields).steps):
        assert min(before.height, after.height) >= 48e-3


def test_a_turner_out_of_the_lifts_reach_is_refused():
    low = replace(TURNER, gap=replace(TURNER.gap, travel=30e-3))
    with pytest.raises(NotPossible, match=r"45\.00 mm.*travel is 30\.00 mm"):
        plan(low, 12)
    with pytest.raises(NotPossible, match="taken off for every gap"):
        plan(replace(BENCH, gap=replace(BENCH.gap, ladder="spacers")), 12, zeros="far")


def test_without_a_turner_several_far_heights_are_read_on_the_way_out():
    planned = plan(LIFT, 12, zeros="far")
    for leg, orientation in ((1, 1), (3, -1), (5, 1)):
        far = [s for s in planned.steps if s.leg == leg and s.height > 0.75 * LIFT.gap.travel]
        assert len(far) >= 4
        assert {s.orientation for s in far} == {orientation}
        # Outward: the field falls on the way.
        assert np.all(np.diff([abs(s.H_applied) for s in far]) < 0)
    inward = {s.leg for s in planned.steps if s.purpose == "zero"}
    assert inward == {1, 3, 5}
    assert plan(LIFT, 12).zeros == "hand"


def test_when_a_person_is_needed():
    with_turner, without, by_hand = plan(TURNER, 12), plan(LIFT, 12, zeros="far"), plan(LIFT, 12)
    assert [a.what for a in with_turner.attendance] == ["place the sample"]
    assert [a.what for a in without.attendance] == ["place the sample", *["turn the sample over"] * 2]
    assert [a.what for a in by_hand.attendance][-1] == "take the sample off"
    for planned in (without, by_hand):
        for needed in planned.attendance:
            if needed.what == "turn the sample over":
                before, after = planned.steps[needed.after_step - 1 : needed.after_step + 1]
                assert before.orientation == -after.orientation
        times = [a.seconds for a in planned.attendance]
        assert times == sorted(times)
        assert times[-1] <= planned.seconds


def test_a_sample_that_a_turn_would_disturb_is_warned_of():
    # A soft loop (HcJ 1 kA/m) in a far field of some 3 kA/m, and a hard one (150 kA/m, slender).
    slender = replace(LIFT.sample, height=Measured(6e-3), diameter=Measured(3e-3))
    H = np.linspace(-400e3, 400e3, 4001)
    for HcJ, warned in ((1e3, True), (150e3, False)):
        loop = (H, 100e3 * np.tanh((H + HcJ) / (0.3 * HcJ)))
        for bench in (TURNER, LIFT):
            planned = plan(replace(bench, sample=slender), 12, loop=loop, zeros="far")
            assert any("turned over in the far field" in text for text in planned.warnings) == warned


def test_what_is_expected_counts_the_far_readings_too():
    H = np.linspace(-400e3, 400e3, 4001)
    planned = plan(TURNER, 16, loop=(H, TanhLoop().descending(H)), M_assumed=300e3)
    found = expected(planned, TURNER, trials=200)
    names = np.array(found.points.branch)
    assert [names[i] for i in (0, 1, -2, -1)] == ["first", "first", "descending", "descending"]
    assert found.points.used.all()
    HcJ = found.figures["coercivity_HcJ_A_per_m"]
    assert HcJ.low95 <= 40e3 <= HcJ.high95


def test_the_gaps_of_a_plan_are_those_of_the_analysis():
    """A lift's scale counts once: a plan's gaps are true ones, and so are those of what is recorded by it."""
    bench = replace(TURNER, gap=replace(TURNER.gap, scale=Measured(1.004, 1e-3)))
    steps = plan(bench, 8).steps
    gap = np.array([s.gap for s in steps])
    taken = readings_of(gap, [s.orientation for s in steps], [s.predicted_reading for s in steps], 2e-6)
    np.testing.assert_array_equal(points_of(taken, bench).gap, gap)


def test_a_sparse_plan_ends_with_the_ascending_branchs_way_out():
    """Each passage has gaps of its own; those of the ascending branch are gaps of the descending one's, so
    that every reading has a counterpart, and the far end lies where the field is small."""
    planned = plan(TURNER, 16, sparse=True)
    assert [s.leg for s in planned.steps if s.purpose == "zero"] == [0]
    assert len(turns(planned.steps)) == 2
    heights = [[s.height for s in planned.steps if s.leg == leg and s.purpose == "loop"] for leg in range(5)]
    assert len(heights[2]) == 16
    assert len(planned.steps) < 0.4 * len(plan(TURNER, 22).steps)
    assert {*heights[3]} <= {*heights[1], *heights[2]}
    assert heights[3][:4] == heights[2][-2:-6:-1]  # where the branches meet, if they do
    assert heights[4] == []
    by_turns = plan(LIFT, 16, zeros="far", sparse=True).steps
    assert len(turns(by_turns)) == 1
    assert [s.leg for s in by_turns if s.purpose == "zero"] == [1, 1, 1, 3, 3, 3]
    by_hand = plan(LIFT, 16, zeros="hand", sparse=True).steps
    fields = [abs(s.H_applied) for s in by_hand]
    assert min(fields) == pytest.approx(0.05 * max(fields), rel=0.05)
    assert max(s.target_u for s in by_hand) > 2 * min(s.target_u for s in by_hand) > 0
