"""Calibration with a coil of known current, on benches of the tests' own that are wrong as real ones are."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.calibrated import FILE, HEIGHTS, MATERIALS, calibrated, coil_calibration, drawn
from tests.support.models.loops import readings_of
from tests.support.models.uneven import Disc, TrueCoil, UnevenBench, coil_pull
from weighloop.analysis.calibration.check import check_coil
from weighloop.analysis.calibration.coil import coil_source, pulls
from weighloop.analysis.calibration.methods import gauge_block, probe, together
from weighloop.analysis.errors import InputError, NotPossible
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.files.bench_text import with_values
from weighloop.analysis.magnetostatics.bench_linearisation import stated_correlation
from weighloop.analysis.records.bench import Coil
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured

m = Measured
BENCH = parse_bench(FILE)
COIL = Coil(291, m(3e-3), m(6e-3), m(3e-3), m(1e-3), m(5e-3), turn_area=m(TrueCoil().turn_area, 1e-5))


def test_reversing_the_current_gives_zero_and_pull_and_drift_drops_out():
    """+ - - + in equal times, over a zero of 3 g that drifts: least squares by hand."""
    current = np.tile([0.05, -0.05, -0.05, 0.05], 3)
    heights = np.repeat([0.0, 5e-3, 10e-3], 4)
    slope = np.repeat([-0.02, -0.01, -0.005], 4)
    found = pulls(heights, current, 3e-3 + slope * current + 1e-6 * np.arange(12), u=1e-6)
    np.testing.assert_allclose(found.per_ampere, [-0.02, -0.01, -0.005], rtol=1e-9)
    # Four readings of u at +-I: u / (2 I), the drift being orthogonal to + - - +.
    np.testing.assert_allclose(found.u, 1e-6 / (2 * 0.05), rtol=1e-9)
    one_way = np.where(heights == 5e-3, 0.05, current)
    with pytest.raises(NotPossible, match=r"row 5: at 5\.00 mm the coil's current was not reversed"):
        pulls(heights, one_way, np.zeros(12))


def test_slow_noise_that_the_stated_uncertainties_leave_out_is_seen() -> None:
    """Means of 15 s tell nothing of noise slower than that: the readings of a stop scatter by more, and the
    pull's uncertainty is that of least squares with this scatter, +-I in equal numbers: s / (2 I)."""
    rng = np.random.default_rng(4)
    current, heights = np.tile([0.05, -0.05, -0.05, 0.05], 50), np.repeat(np.arange(50) * 1e-4, 4)
    reading = -0.02 * current + 5e-6 * rng.standard_normal(200)
    assert pulls(heights, current, reading, u=1e-6).u == pytest.approx(5e-6 / (2 * 0.05), rel=0.3)
    assert pulls(heights, current, reading, u=2e-5).u == pytest.approx(2e-5 / (2 * 0.05), rel=1e-9)


@pytest.mark.costly
def test_an_uneven_bench_is_found_within_its_covariance():
    """Ten benches: remanence, contact and scale within their uncertainties, and better than stated."""
    scores = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        bench, _, _ = drawn(rng)
        found = coil_calibration(bench, 0.003, rng, BENCH)
        scores.append(
            [
                (found.remanence.value - bench.remanence) / found.remanence.u,
                (found.contact.value - bench.contact) / found.contact.u,
                (found.found("scale").value - bench.scale) / found.found("scale").u,
            ]
        )
        assert found.found("scale").u < 0.005
        assert found.remanence.u < 0.02
    assert np.all(np.abs(scores) < 3.5)


def test_remanence_and_contact_alone_are_never_fitted():
    """The magnet's core and the lift's scale are among the unknowns whatever the readings."""
    rng = np.random.default_rng(3)
    found = coil_calibration(drawn(rng)[0], 0.003, rng, BENCH)
    assert {"core_excess", "scale", "diameter", "height", "turn_area"} <= set(found.names)


def test_a_narrow_strong_core_is_refused():
    """A core of 0.3 of the radius, 8 % stronger, is no magnet of two zones as the model has them."""
    bench = UnevenBench(core=0.12, core_radius=0.3, contact=1e-3)
    with pytest.raises(NotPossible, match="no bench of the kind described fits"):
        coil_calibration(bench, 0.003, np.random.default_rng(1), BENCH)


def test_the_bench_file_carries_the_covariance():
    rng = np.random.default_rng(5)
    found = coil_calibration(drawn(rng)[0], 0.003, rng, BENCH)
    bench = calibrated(found)
    assert bench.calibration is not None
    assert bench.calibration.expires == "2027-05-27"
    assert bench.calibration.by == ("coil of known current",)
    keys = bench.calibration.inputs
    assert "gap.scale" in keys
    prior = stated_correlation(bench, keys)
    assert np.linalg.eigvalsh(prior).min() > 0
    i, k = keys.index("reference_magnet.remanence"), keys.index("gap.contact")
    assert prior[i, k] == pytest.approx(found.correlation, abs=1e-6)
    assert bench.gap.contact.value == pytest.approx(found.contact.value, abs=0.02 * found.contact.u)


@pytest.mark.costly
def test_what_cancels_does_so_in_the_figures():
    """A stronger magnet and a wider gap undo one another: with the calibration's matrix figures are known
    better than from the same values taken as independent, and the field known by a coil bounds u(Mr) from
    below (JCGM 100:2008, 5.2)."""
    rng = np.random.default_rng(5)
    true, diameter, height = drawn(rng)
    bench = calibrated(coil_calibration(true, 0.003, rng, BENCH))
    independent = replace(
        bench,
        calibration=None,
        reference_magnet=replace(bench.reference_magnet, remanence_contact_correlation=0.0),
    )
    at, orientation, change = true.weigh(Disc(MATERIALS[1], diameter, height), HEIGHTS)
    gap = np.asarray(bench.gap.at_height(at))
    readings = readings_of(gap, orientation, np.round(change, 6), 1e-6)
    u = []
    for known in (bench, independent):
        figures = analyse(readings, known, trials=200).figures
        u.append([figures[name].u or 0.0 for name in ("remanence_A_per_m", "coercivity_HcJ_A_per_m")])
    together, apart = np.array(u)
    assert np.all(together < 0.6 * apart)
    assert together[0] > 0.003 * MATERIALS[1].figures()["remanence_A_per_m"]


def test_a_matrix_that_is_none_is_refused():
    tables = FILE + (
        "[calibration]\ndate = 2026-11-28\nexpires = 2027-05-27\ntemperature = '20 degC'\n"
        "inputs = ['gap.contact', 'lift.scale']\ncorrelation = [[1, 2], [2, 1]]\n"
    )
    with pytest.raises(InputError, match="no matrix of correlations"):
        parse_bench(tables)


def test_everything_in_one_fit_is_better_than_each():
    """JCGM 102: what several measurements share is found with the weight of all. Coil and probe together
    know the remanence better than either, and stay within their uncertainties of the truth."""
    rng = np.random.default_rng(11)
    bench = UnevenBench(remanence=1.29, contact=1.03e-3, scale=1.002)
    heights = np.arange(10) * 2e-3
    B = bench.field(np.zeros(10), np.zeros(10), bench.gap(heights))[0]
    field = probe(
        heights, B + 1e-4 * rng.standard_normal(10), probe_offset=m(0, 5e-5), u_B=1e-4, gain_u=0.003
    )
    ends = np.ones(8)
    h = np.arange(8) * 2.5e-3
    pull = coil_pull(bench, TrueCoil(), h, ends)
    coil = coil_source(
        COIL,
        BENCH.reference_magnet,
        h,
        pull,
        contact=BENCH.gap.contact,
        offset=m(0, 1e-4),
        u=1e-3 * pull.max(),
    )
    known = {"contact": BENCH.gap.contact, "scale": BENCH.gap.scale}
    alone = [together([s], BENCH.reference_magnet, **known) for s in (field, coil)]
    both = together([field, coil], BENCH.reference_magnet, **known)
    assert both.remanence.u < min(a.remanence.u for a in alone)
    assert abs(both.remanence.value - 1.29) < 3 * both.remanence.u
    assert abs(both.contact.value - 1.03e-3) < 3 * both.contact.u
    assert set(both.chi_square) == {"probe on the axis", "coil of known current"}


def test_what_disagrees_is_named():
    """A probe whose scale is 3 % off beside a coil: the fit says whose statement does not hold."""
    bench = UnevenBench()
    h = np.arange(8) * 2.5e-3
    B = 1.03 * bench.field(np.zeros(8), np.zeros(8), bench.gap(h))[0]
    pull = coil_pull(bench, TrueCoil(), h, np.ones(8))
    sources = [
        probe(h, B, probe_offset=m(0, 1e-5), u_B=1e-4, gain_u=0.002),
        coil_source(
            COIL,
            BENCH.reference_magnet,
            h,
            pull,
            contact=BENCH.gap.contact,
            offset=m(0, 1e-4),
            u=1e-3 * pull.max(),
        ),
    ]
    with pytest.raises(NotPossible, match=r"probe gain would have to be .* above what is stated"):
        together(sources, BENCH.reference_magnet, contact=BENCH.gap.contact, scale=BENCH.gap.scale)


def test_a_gauge_block_between_two_heights():
    """Weighted mean of two independent statements: 1 +/- 0.005 and 20 / 19.94 +/- 0.0005."""
    found = gauge_block(m(1.0, 0.005), m(20e-3, 2e-6), m(19.94e-3, 1e-5))
    second, u = 20 / 19.94, 20 / 19.94 * np.hypot(2e-6 / 20e-3, 1e-5 / 19.94e-3)
    weights = np.array([0.005, u]) ** -2.0
    assert found.value == pytest.approx(weights @ [1.0, second] / weights.sum(), rel=1e-12)
    assert found.u == pytest.approx(weights.sum() ** -0.5, rel=1e-12)
    with pytest.raises(NotPossible, match="the gauge block puts the scale"):
        gauge_block(m(1.0, 0.005), m(20e-3, 2e-6), m(19e-3, 1e-5))


def test_a_check_of_two_minutes():
    """One stop of the coil: it holds on the calibrated bench, and no more with a magnet 3 % weaker."""
    rng = np.random.default_rng(8)
    true = UnevenBench(remanence=1.305, contact=1.02e-3)
    bench = calibrated(coil_calibration(true, 0.003, rng, BENCH))
    outcome = []
    for now in (true, replace(true, remanence=0.97 * true.remanence)):
        pull = coil_pull(now, TrueCoil(), np.array([2e-3]), np.ones(1))
        source = coil_source(
            COIL,
            bench.reference_magnet,
            [2e-3],
            pull,
            contact=bench.gap.contact,
            offset=m(0, 1e-4),
            u=2e-4 * pull,
        )
        outcome.append(check_coil(source, bench))
    assert outcome[0].holds
    assert not outcome[1].holds
    assert outcome[1].ratio == pytest.approx(-0.03, abs=0.01)
    assert "does not hold any more" in outcome[1].words


def test_values_go_into_the_text_and_leave_the_rest_alone():
    values = {("gap", "contact"): '"1.05 mm +/- 0.01 mm"', ("lift", "scale"): '"1.002 +/- 0.001"'}
    text = FILE.replace('contact = "1.00 mm +/- 0.05 mm"', 'contact = "1.00 mm +/- 0.05 mm"  # feeler gauge')
    changed = with_values(text, values)
    assert 'contact = "1.05 mm +/- 0.01 mm"  # feeler gauge' in changed
    assert tomllib.loads(changed)["lift"] == {"port": "lift", "scale": "1.002 +/- 0.001"}
    assert {k: v for k, v in tomllib.loads(changed).items() if k not in ("gap", "lift")} == {
        k: v for k, v in tomllib.loads(text).items() if k not in ("gap", "lift")
    }
    with pytest.raises(InputError, match="put in by hand"):
        with_values(text, {("gap", "contact"): '"soon"'})
