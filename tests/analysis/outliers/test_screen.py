"""Slips put into simulated runs are found by row and reason; clean runs raise nothing."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from tests.support.models import forward, preisach_medium
from tests.support.models.loops import PER_KG, readings_of, reclaimed_bench, without_row
from weighloop.analysis.outliers.screen import find_outliers
from weighloop.analysis.records.bench import ReferenceMagnet
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()
GEOMETRIC = np.geomspace(1e-3, 30e-3, 22)
#: One acetal shim of 1 mm a step.
BY_SHIM = 1e-3 + 1e-3 * np.arange(30)
SHIM = 1.2e-3  # kg
SHIM_BENCH = replace(BENCH, gap=replace(BENCH.gap, ladder="spacers", spacer_mass=SHIM))
#: A reclaimed ferrite disc that this bench does not saturate, and one that it does.
HARD = preisach_medium.Material(coercivity=100e3, width=9e3)
SOFT = preisach_medium.Material(coercivity=40e3, width=5e3)


@lru_cache(maxsize=16)
def weighed(material, gaps):
    """A loop by the second forward model (memory at every point of the sample), free of noise."""
    return forward.weigh(forward.Magnet(), forward.Pellet(rings=4, layers=6), material, np.array(gaps))


def run(material=HARD, gaps=GEOMETRIC, seed=5):
    w = weighed(material, tuple(gaps))
    reading = -w.force / PER_KG + 2e-6 * np.random.default_rng(seed).standard_normal(len(w.gap))
    readings = readings_of(w.gap, w.orientation, np.round(reading, 6), 2e-6)
    if gaps is BY_SHIM:
        return replace(readings, spacers=np.round((readings.gap - 1e-3) / 1e-3)), SHIM_BENCH
    return readings, BENCH


def starts(gaps):
    """First index of every passage: the first closes with the strongest field."""
    n = len(gaps)
    return [0, n, 2 * n - 1, 3 * n - 1, 4 * n - 2, 5 * n - 2]


def found(readings, bench):
    arranged = find_outliers(readings, bench)
    aside = np.flatnonzero(~arranged.points.used).tolist()
    # Whatever is set aside has a reason, and a warning names its row.
    named = {row for warning in arranged.warnings for row in warning.rows}
    for i in aside:
        assert arranged.points.why_not[i]
        assert int(readings.row[i]) in named
    return aside, {warning.code for warning in arranged.warnings}, arranged


@pytest.mark.parametrize(
    "material",
    [
        HARD,
        SOFT,
        preisach_medium.Material(coercivity=250e3, width=15e3),
        preisach_medium.Material(coercivity=107e3, width=3e3),
    ],
    ids=["hard", "saturates", "hardly turned", "square"],
)
@pytest.mark.parametrize(
    "gaps", [GEOMETRIC, BY_SHIM, np.linspace(1e-3, 20e-3, 8)], ids=["geometric", "shims", "few"]
)
def test_no_false_alarms(material, gaps):
    for seed in range(4):
        aside, codes, _ = found(*run(material, gaps, seed))
        assert aside == []
        assert codes == set()


@pytest.mark.parametrize("gaps", [GEOMETRIC, BY_SHIM], ids=["geometric", "shims"])
@pytest.mark.parametrize("leg", [1, 3])
def test_gap_noted_wrongly(gaps, leg):
    readings, bench = run(gaps=gaps)
    # Half a step off, in a flat part of its passage.
    i = starts(gaps)[leg] + 10
    gap = readings.gap.copy()
    gap[i] = 0.4 * gap[i] + 0.6 * gap[i + 1]
    changed = replace(readings, gap=gap, spacers=np.full(len(gap), np.nan))
    aside, codes, _ = found(changed, bench)
    assert aside == [i]
    assert codes <= {"gap-outlier", "zero-jump"}


def test_one_shim_stack_not_rezeroed():
    readings, bench = run(gaps=BY_SHIM)
    i = starts(BY_SHIM)[1] + 8
    reading = readings.reading.copy()
    reading[i] += 4 * SHIM
    aside, codes, arranged = found(replace(readings, reading=reading), bench)
    assert aside == [i]
    assert codes == {"zero-jump"}
    assert "looks like 4 spacers not re-zeroed" in arranged.warnings[0].text


@pytest.mark.parametrize("gaps", [GEOMETRIC, BY_SHIM], ids=["geometric", "shims"])
def test_a_zero_that_stays_wrong_to_the_end(gaps):
    readings, bench = run(gaps=gaps)
    i = starts(gaps)[3] + 4
    reading = readings.reading.copy()
    reading[i:] += 4 * SHIM
    aside, codes, arranged = found(replace(readings, reading=reading), bench)
    # Near the magnet 4.8 g are a few per cent of the pull: where exactly it began may be told a few rows off.
    assert set(range(i + 4, len(readings))) <= set(aside)
    assert min(aside) >= i - 4
    assert "zero-jump" in codes
    if bench is SHIM_BENCH:
        assert "looks like 4 spacers" in next(w.text for w in arranged.warnings if w.code == "zero-jump")


def test_zero_after_far_from_zero_before():
    readings, _ = run()
    n = len(readings)
    after = 2e-6 * np.random.default_rng(1).standard_normal(n)
    after[30] = 3 * SHIM
    aside, codes, arranged = found(replace(readings, zero_before=np.zeros(n), zero_after=after), SHIM_BENCH)
    assert aside == [30]
    assert codes == {"zero-jump"}
    assert "looks like 3 spacers" in arranged.warnings[0].text


def test_slow_drift_of_the_zero_is_no_jump():
    """0.2 mg between zeros, the same way all along: drift, which the bracket takes out."""
    readings, bench = run()
    n = len(readings)
    zero = 0.2e-6 * np.arange(n + 1)
    drifting = replace(
        readings, zero_before=zero[:-1], zero_after=zero[1:], reading=readings.reading + zero[:-1]
    )
    assert found(drifting, bench)[:2] == ([], set())


def test_orientation_of_one_row():
    readings, bench = run()
    for i in (starts(GEOMETRIC)[1] + 6, starts(GEOMETRIC)[2] + 10, starts(GEOMETRIC)[2]):
        orientation = readings.orientation.copy()
        orientation[i] *= -1
        aside, codes, _ = found(replace(readings, orientation=orientation), bench)
        assert aside == [i]
        assert codes == {"orientation-suspect"}


def test_turn_over_not_noted():
    readings, bench = run()
    at = starts(GEOMETRIC)
    orientation = readings.orientation.copy()
    orientation[at[2] : at[4]] = 1
    aside, codes, _ = found(replace(readings, orientation=orientation), bench)
    assert aside == list(range(at[2], at[4]))
    assert "orientation-suspect" in codes
    # The last passage was noted rightly and stays in use.
    assert at[4] not in aside


def test_turn_over_missed():
    """Noted as turned over, but it was not: the force keeps its sign from there on."""
    material = preisach_medium.Material(coercivity=100e3)
    gaps = np.geomspace(1e-3, 30e-3, 14)
    gap, orientation, leg = forward.loop_gaps(gaps)
    really = np.where(leg <= 3, 1, -1)
    w = forward.weigh(
        forward.Magnet(), forward.Pellet(rings=4, layers=6), material, gaps, path=(gap, really, leg)
    )
    aside, codes, _ = found(readings_of(gap, orientation, -w.force / PER_KG, 2e-6), BENCH)
    assert set(np.flatnonzero(leg >= 2)) <= set(aside)
    assert not set(np.flatnonzero(leg == 1)[1:]) & set(aside)
    assert "orientation-suspect" in codes


def test_attraction_the_wrong_way_round():
    readings, bench = run()
    wrong = replace(bench, balance=replace(bench.balance, attraction="heavier"))
    assert "attraction-suspect" in found(readings, wrong)[1]


def test_attraction_the_wrong_way_round_uses_no_row():
    """A sample pushed off either way would be no magnet: no figure may come of such rows."""
    readings, bench = run(SOFT)
    wrong = replace(bench, balance=replace(bench.balance, attraction="heavier"))
    aside, codes, _ = found(readings, wrong)
    assert len(aside) == len(readings)
    assert "attraction-suspect" in codes


@pytest.mark.parametrize("material", [HARD, SOFT], ids=["hard", "saturates"])
def test_orientation_of_any_row(material):
    """One sign noted wrongly, wherever it is but at a turn-over itself, costs that row and no other."""
    readings, bench = run(material)
    ends = {i + k for i in starts(GEOMETRIC) for k in (-1, 0)}
    for i in range(0, len(readings), 4):
        if i in ends:
            continue
        orientation = readings.orientation.copy()
        orientation[i] *= -1
        aside, codes, _ = found(replace(readings, orientation=orientation), bench)
        assert aside == [i]
        assert codes == {"orientation-suspect"}


def test_readings_lost_to_an_overload_lose_no_history():
    """The strongest pulls are beyond the capacity: where the sample turned back is known all the same."""
    readings, bench = run(HARD)
    capacity = float(np.sort(np.abs(readings.reading))[-9])
    small = replace(bench, balance=replace(bench.balance, capacity=capacity))
    over = np.flatnonzero(np.abs(readings.reading) >= capacity)
    aside, codes, arranged = found(readings, small)
    assert aside == over.tolist()
    assert codes <= {"over-capacity", "branch-incomplete"}
    assert [p.branch for p in arranged.passages] == [p.branch for p in found(readings, bench)[2].passages]


def positions(count, seed, least=1):
    """Rows of the closed loop picked at random, not the first or last of a passage."""
    rng = np.random.default_rng(seed)
    at = starts(GEOMETRIC)
    for _ in range(count):
        leg = int(rng.integers(1, 5))
        yield rng, int(rng.integers(at[leg] + least, at[leg + 1] - least)), at[leg + 1]


def test_one_reading_off_anywhere():
    """10 to 40 % off one reading: the other orientation showed another pull at the same gap."""
    right = 0
    for rng, i, _ in positions(30, 3):
        readings, bench = run((HARD, SOFT)[i % 2], seed=i)
        reading = readings.reading.copy()
        reading[i] *= 1.0 + rng.choice([-1, 1]) * rng.uniform(0.1, 0.4)
        aside, _, _ = found(replace(readings, reading=reading), bench)
        # Where M passes through zero a part of nearly nothing is nothing.
        right += aside == [i] or abs(readings.reading[i]) < 0.2e-3
    assert right >= 28


def test_a_zero_wrong_from_a_row_to_the_end_of_its_passage():
    right = 0
    for rng, i, end in positions(20, 4, least=4):
        readings, bench = run(SOFT, seed=i)
        reading = readings.reading.copy()
        reading[i:end] += rng.choice([-1, 1]) * rng.uniform(2e-3, 6e-3)
        aside, codes, _ = found(replace(readings, reading=reading), bench)
        wrong = set(range(i, end))
        # Near the magnet the step is a few per cent of the pull: where it began may be told a row off.
        right += "zero-jump" in codes and len(wrong - set(aside)) <= 1 and len(set(aside) - wrong) <= 1
    assert right >= 17


def test_a_zero_wrong_up_to_the_strongest_field_and_there():
    """Re-zeroed only at the turn: the row of strongest field, which starts the way out, is wrong too."""
    readings, bench = run(SOFT)
    at = starts(GEOMETRIC)
    for first in (at[2] + 6, at[2] + 12, at[2] + 18):
        reading = readings.reading.copy()
        reading[first : at[3]] += 4e-3
        aside, codes, _ = found(replace(readings, reading=reading), bench)
        assert "zero-jump" in codes
        assert at[3] - 1 in aside
        assert len(set(aside) ^ set(range(first, at[3]))) <= 1


def test_a_gap_between_two_shims_far_out():
    """Half a shim off where M hardly moves: told by what the counterparts around it lead to."""
    right = 0
    for seed in range(12):
        readings, bench = run(HARD, gaps=BY_SHIM, seed=seed)
        i = starts(BY_SHIM)[2] + 10 + seed
        gap, spacers = readings.gap.copy(), readings.spacers.copy()
        gap[i], spacers[i] = 0.4 * gap[i] + 0.6 * gap[i + 1], np.nan
        aside, codes, _ = found(replace(readings, gap=gap, spacers=spacers), bench)
        right += aside == [i] and codes == {"gap-outlier"}
    assert right >= 11


def test_a_pair_that_cannot_tell_is_doubted_in_both_rows():
    """With no noise of its own a pair says which leg is wrong by the smoothness of the legs alone."""
    readings, bench = run(HARD)
    i = starts(GEOMETRIC)[1] + 9
    counterpart = starts(GEOMETRIC)[3] + 9
    assert readings.gap[i] == readings.gap[counterpart]
    reading = readings.reading.copy()
    reading[i] += 0.05 * abs(reading[i])
    aside, _, _ = found(replace(readings, reading=reading), bench)
    assert i in aside
    assert set(aside) <= {i, counterpart}


RING = replace(
    BENCH,
    reference_magnet=ReferenceMagnet(
        "ring",
        Measured(10e-3),
        Measured(1.32, 0.02),
        outer_diameter=Measured(24e-3),
        inner_diameter=Measured(8e-3),
    ),
)


def over_a_ring(gaps):
    w = forward.weigh(
        forward.Magnet("ring", diameter=24e-3, inner=8e-3),
        forward.Pellet(rings=4, layers=6),
        SOFT,
        gaps,
    )
    return readings_of(w.gap, w.orientation, np.round(-w.force / PER_KG, 6), 2e-6)


def test_over_a_ring_no_false_alarms_where_the_pulls_cancel():
    """Near the strongest mean field the pulls on the layers nearly cancel: M by the mean method is no use."""
    gaps = np.geomspace(3.6e-3, 30e-3, 16)
    aside, codes, arranged = found(over_a_ring(gaps), RING)
    assert np.abs(arranged.M).max() > 1.3 * SOFT.saturation  # the trap is there
    assert (aside, codes) == ([], set())


def test_into_the_hole_of_a_ring():
    """Closer than the strongest field the field falls again: said so, and no turn-over is suspected."""
    gaps = np.geomspace(1e-3, 30e-3, 16)
    aside, codes, arranged = found(over_a_ring(gaps), RING)
    assert codes == {"path-reversed"}
    assert "coming closer weakened the mean field" in arranged.warnings[0].text
    strongest = gaps[np.argmax(np.abs(arranged.H[:16][::-1]))]
    assert (arranged.points.gap[aside] < strongest).all()


def test_the_odd_one_of_two_rows_at_one_gap():
    """A shim miscounted makes a gap twice; the row that was counted rightly stays."""
    readings, bench = run(SOFT, gaps=BY_SHIM)
    for leg, k in ((1, 6), (2, 20), (3, 9), (4, 22)):
        i = starts(BY_SHIM)[leg] + k
        gap, spacers = readings.gap.copy(), readings.spacers.copy()
        gap[i], spacers[i] = gap[i + 1], spacers[i + 1]
        aside, codes, _ = found(replace(readings, gap=gap, spacers=spacers), bench)
        assert aside == [i]
        assert codes == {"duplicate-gap"}


def test_density():
    """BaFe12O19's X-ray density is 5.29 g/cm3 (lattice constants, check values section 4)."""
    readings, _ = run()
    heavy = replace(BENCH, sample=replace(BENCH.sample, mass=Measured(470e-6, 1e-6)))
    assert "density-suspect" in found(readings, heavy)[1]
    # 5.31 g/cm3 with sizes known to 0.02 mm is not surely too dense.
    unsure = replace(BENCH, sample=replace(BENCH.sample, mass=Measured(450e-6, 1e-6)))
    assert "density-suspect" not in found(readings, unsure)[1]


def test_time_running_backward_is_told():
    readings, bench = run()
    time = np.arange(len(readings)) * 60.0
    time[40:] -= 3600.0
    aside, codes, arranged = found(replace(readings, time=time), bench)
    assert aside == []
    assert codes == {"time-order"}
    assert arranged.warnings[0].rows == (41,)


@pytest.mark.slow
def test_nothing_else_changes_because_of_a_row_set_aside():
    """Figures with a bad row set aside are those of a table that never had it."""
    readings, bench = run()
    i = starts(GEOMETRIC)[1] + 10
    reading = readings.reading.copy()
    reading[i] *= 1.2
    bad = replace(readings, reading=reading)
    with_it, without = analyse(bad, bench, trials=200), analyse(without_row(bad, i), bench, trials=200)
    assert with_it.points.why_not[i]
    for name, figure in with_it.figures.items():
        other = without.figures[name]
        assert figure.status == other.status
        if figure.value is not None:
            assert other.value is not None
            # A bound is an end of its interval, which is drawn.
            drawn = 0.5 * (figure.u or 0.0) if figure.status == "bound" else 0.0
            assert figure.value == pytest.approx(other.value, rel=1e-9, abs=drawn)


@pytest.mark.costly
def test_a_small_slip_shows_in_the_fit():
    """10 % of a reading in the steep part: no single step breaks a limit, but the fit tells."""
    readings, bench = run(HARD)
    i = starts(GEOMETRIC)[1] + 4
    gap = readings.gap.copy()
    gap[i] = 0.4 * gap[i] + 0.6 * gap[i + 1]
    result = analyse(replace(readings, gap=gap), bench, trials=50)
    assert np.flatnonzero(~result.points.used).tolist() == [i]
    assert any(w.code == "gap-outlier" and w.rows == (i + 1,) for w in result.warnings)
