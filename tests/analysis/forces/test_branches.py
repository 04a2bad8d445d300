"""Legs and branches by field history, path checks, zeros."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.models.forward import loop_gaps
from tests.support.models.loops import noisy_run, readings_of, reclaimed_bench, weighed
from weighloop.analysis.errors import rows_in_words
from weighloop.analysis.forces import branches
from weighloop.analysis.forces.zeros import bracket, repeatability
from weighloop.analysis.records.bench import ReferenceMagnet
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()
GAPS = np.array([1.0, 2, 3, 5, 8, 12, 20, 30]) * 1e-3
#: Rows of the second passage (outward, +1) in the table of ``loop_gaps(GAPS)``: 8 in, then 7 out.
OUT = slice(8, 15)


@pytest.fixture(scope="module")
def clean():
    gap, orientation, leg, change = weighed_loop()
    return readings_of(gap, orientation, change), leg


def weighed_loop():
    from tests.support.models.loops import TanhLoop

    return weighed(TanhLoop(), GAPS)


def codes(arranged):
    return [warning.code for warning in arranged.warnings]


def test_five_legs(clean):
    readings, leg = clean
    points = branches.points(readings, BENCH)
    # The row of strongest field starts the next leg and carries the branch that starts there.
    expected = leg.copy()
    expected[[7, 22]] += 1
    np.testing.assert_array_equal(points.leg, expected)
    names = np.array(["first", "descending", "descending", "ascending", "ascending"])
    assert list(points.branch) == list(names[expected])
    assert points.used.all()


def test_chains_share_their_ends(clean):
    arranged = branches.arrange(clean[0], BENCH)
    (_, first), (name, down), (_, up) = arranged.chains()
    assert name == "descending"
    assert first[-1] == down[0] == 7
    assert down[-1] == up[0] == 22
    # Along the descending branch the field only falls (twice the same strength across the turn-over).
    assert np.all(np.diff(arranged.H[down]) < 0)
    assert np.all(np.diff(arranged.H[up]) > 0)


def test_starting_with_the_other_orientation(clean):
    """The loop's two branches are each other's mirror image."""
    readings, _ = clean
    mirrored = replace(readings, orientation=-readings.orientation)
    swap = {"first": "first", "descending": "ascending", "ascending": "descending"}
    assert [swap[b] for b in branches.points(mirrored, BENCH).branch] == list(
        branches.points(readings, BENCH).branch
    )


def test_starting_at_the_closest_gap(clean):
    readings, _ = clean
    tail = readings_of(readings.gap[7:], readings.orientation[7:], readings.reading[7:])
    assert branches.points(tail, BENCH).branch[:2] == ("descending", "descending")


def test_a_ring_is_ordered_by_field_not_gap():
    """Over a ring the field on the axis is weak at the face, strongest some millimetres off, and falls
    beyond (check values, 2.2, hole of 6 mm; here 12 mm): the turn is where the field is strongest."""
    ring = ReferenceMagnet(
        "ring",
        Measured(10e-3),
        Measured(1.32),
        outer_diameter=Measured(20e-3),
        inner_diameter=Measured(12e-3),
    )
    bench = replace(BENCH, reference_magnet=ring)
    gaps = np.array([2.0, 4, 6, 9, 14, 20]) * 1e-3
    H = np.abs(branches.mean_path(readings_of(gaps, np.ones(6), np.zeros(6)), bench)[0])
    strongest = int(np.argmax(H))
    assert strongest > 0  # not the smallest gap
    into = readings_of(np.sort(gaps)[::-1], np.ones(6), np.linspace(-1e-3, -2e-3, 6))
    arranged = branches.arrange(into, bench)
    assert arranged.points.branch[5 - strongest] == "descending"
    # Beyond the strongest field "closer" weakens it: the way on is a branch of its own, not a step back.
    assert arranged.points.used.all()
    assert "path-reversed" not in codes(arranged)


def test_step_back_sets_aside_only_the_minor_loop(clean):
    """Return-point memory (Mayergoyz, ch. 1: wiping out): beyond the reversal the branch goes on."""
    readings, _ = clean
    # 1, 2, 3, 5, then back to 4 and 4.5, then on to 8, 12 ...
    at = 12
    gap = np.insert(readings.gap, at, [4.0e-3, 4.5e-3])
    orientation = np.insert(readings.orientation, at, [1, 1])
    reading = np.insert(
        readings.reading, at, np.interp([4.0e-3, 4.5e-3], readings.gap[OUT], readings.reading[OUT])
    )
    arranged = branches.arrange(readings_of(gap, orientation, reading), BENCH)
    assert np.flatnonzero(~arranged.points.used).tolist() == [at, at + 1]
    assert codes(arranged) == ["path-reversed"]
    assert arranged.warnings[0].rows == (at + 1, at + 2)
    assert "minor loop" in (arranged.points.why_not[at] or "")


def test_duplicate_gap(clean):
    readings, _ = clean
    gap = readings.gap.copy()
    gap[11] = gap[10]
    arranged = branches.arrange(replace(readings, gap=gap), BENCH)
    assert codes(arranged) == ["duplicate-gap"]
    assert np.flatnonzero(~arranged.points.used).tolist() == [11]


def test_over_capacity_and_rows_set_aside_before(clean):
    readings, _ = clean
    reading = readings.reading.copy()
    reading[9] = -0.22
    why = [None] * len(readings)
    why[3] = "bumped"
    arranged = branches.arrange(replace(readings, reading=reading, set_aside=tuple(why)), BENCH)
    assert np.flatnonzero(~arranged.points.used).tolist() == [3, 9]
    assert codes(arranged) == ["over-capacity"]
    assert arranged.points.why_not[3] == "bumped"


def test_what_is_missing(clean):
    readings, leg = clean
    assert branches.incomplete(branches.arrange(readings, BENCH)) == []

    def cut(stop):
        part = readings_of(readings.gap[:stop], readings.orientation[:stop], readings.reading[:stop])
        return [w.text for w in branches.incomplete(branches.arrange(part, BENCH))]

    assert len(cut(int((leg < 2).sum()))) == 2
    (short,) = cut(len(readings) - 3)
    assert "ascending branch ends at" in short
    (absent,) = cut(int((leg < 3).sum()))
    assert "ascending branch" in absent


# ---- zeros


def test_zero_load_zero_takes_out_steady_drift():
    """Drift of 1 mg a reading: the mean of the zeros around a reading is the zero at it."""
    n = 5
    drift = 1e-6 * np.arange(2 * n + 1)
    gap, orientation = np.linspace(30e-3, 10e-3, n), np.ones(n)
    true = -1e-3 * np.arange(1, n + 1)
    readings = readings_of(
        gap, orientation, true + drift[1::2], zero_before=drift[:-1:2], zero_after=drift[2::2]
    )
    np.testing.assert_allclose(bracket(readings, BENCH).change, true, atol=1e-12)


def test_zeros_around_a_passage_are_interpolated_in_time():
    """A lift keeps the sample up: one pair of zeros for a passage, a minute before and after it."""
    n = 6
    time = 60.0 * np.arange(1, n + 1)
    zero = 2e-9 * time  # kg: 2 ug/s
    true = -1e-3 * np.arange(1, n + 1)
    readings = readings_of(
        np.linspace(30e-3, 10e-3, n), np.ones(n), true + zero, time=time,
        zero_before=np.zeros(n), zero_after=np.full(n, 2e-9 * 60 * (n + 1)),
    )  # fmt: skip
    zeros = bracket(readings, BENCH)
    # To a thousandth of the balance's digit.
    np.testing.assert_allclose(zeros.change, true, atol=1e-9)
    # Two zeros serve six rows: their errors are shared.
    covariance = zeros.root @ zeros.root.T
    spread = np.sqrt(np.diag(covariance))
    assert np.all(np.diag(covariance / np.outer(spread, spread), 1) > 0.5)


def test_one_zero_or_none():
    gaps, ones = np.array([30e-3, 20e-3, 10e-3]), np.ones(3)
    before, after = np.array([0.1, np.nan, np.nan]), np.array([np.nan, 0.2, np.nan])
    readings = readings_of(gaps, ones, ones, zero_before=before, zero_after=after)
    np.testing.assert_allclose(bracket(readings, BENCH).change, [0.9, 0.8, 1.0])


def test_repeatability_from_the_zeros():
    """Zeros that scatter by 3 mg say so; one forgotten re-zero among them does not."""
    rng = np.random.default_rng(4)
    n = 400
    after = 3e-6 * rng.standard_normal(n) - 3e-6 * rng.standard_normal(n)
    after[7] = 4.8e-3
    readings = readings_of(
        np.linspace(30e-3, 1e-3, n), np.ones(n), np.zeros(n), zero_before=np.zeros(n), zero_after=after
    )
    assert repeatability(readings, BENCH.balance) == pytest.approx(3e-6, rel=0.15)
    # With nothing to go by: rounding and a last digit.
    assert repeatability(noisy_run(gaps=GAPS), BENCH.balance) == pytest.approx(
        np.hypot(1, 1 / np.sqrt(12)) * 1e-6
    )


def test_rows_in_words():
    assert rows_in_words((7,)) == "row 7"
    assert rows_in_words((7, 8, 9, 14)) == "rows 7-9, 14"


def test_gaps_of_the_model_are_the_legs():
    assert len(loop_gaps(GAPS)[0]) == 5 * len(GAPS) - 2
