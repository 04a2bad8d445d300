"""Calibration: recovered within its own covariance over many seeds, and refused where it must be.

Simulated readings come from scipy and from closed forms written out here, not from the code under test.
"""

from __future__ import annotations

import tomllib
from math import sqrt

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import chdtri, j1

from weighloop.analysis.calibration.methods import alone, pair, probe, standard
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample
from weighloop.analysis.units import Measured, parse_measured

m = Measured
TRUE_BR, TRUE_CONTACT = 1.29, 1.10e-3
START = m(1.0e-3, 0.2e-3)
#: An even magnet, known to be so.
EVEN = {"core_excess": m(0.0)}
NOMINAL = ReferenceMagnet("cylinder", m(10e-3), m(1.32, 0.03), diameter=m(20e-3), **EVEN)
#: The same magnet on a bench with a lift, for what is written into its file.
BENCH = Bench(
    NOMINAL, Sample("WP-07-1", "sphere", m(3e-3), diameter=m(3e-3)), Gap(START), Balance(1e-6, 0.22)
)
DATES = ("2026-11-28", "2027-05-27")
MU0 = 1.25663706127e-6
DEPTH = m(0.5e-3, 0.05e-3)


def from_probe(magnet, heights, B, *, contact, temperature=293.15, hold=None, **source):
    return alone(probe(heights, B, **source), magnet, contact=contact, temperature=temperature, hold=hold)


def from_standard(magnet, sample, moment, heights, force, *, contact, **source):
    readings = standard(magnet, sample, moment, heights, force, contact=contact, **source)
    return alone(readings, magnet, contact=contact)


def from_pair(magnet, heights, force, *, contact, **source):
    return alone(pair(magnet, heights, force, contact=contact, **source), magnet, contact=contact)


def axis_field(z, Br=TRUE_BR, R=10e-3, L=10e-3):
    """Derby & Olbert, Am. J. Phys. 78 (2010) 229: the finite solenoid on its axis."""
    return Br / 2 * ((L + z) / np.hypot(R, L + z) - z / np.hypot(R, z))


def probe_run(seed, heights, u=0.3e-3, depth=DEPTH, gain_u=0.002, **options):
    rng = np.random.default_rng(seed)
    true_depth = depth.value + depth.u * rng.standard_normal()
    gain = 1 + gain_u * rng.standard_normal()
    B = gain * axis_field(heights + TRUE_CONTACT + true_depth) + u * rng.standard_normal(len(heights))
    arguments = {"contact": START, "probe_offset": depth, "u_B": u, "gain_u": gain_u, **options}
    return from_probe(NOMINAL, heights, B, **arguments)


def scores(results):
    return np.array(
        [
            (
                (r.remanence.value - TRUE_BR) / r.remanence.u,
                (r.contact.value - TRUE_CONTACT) / r.contact.u,
            )
            for r in results
        ]
    )


def joint(result):
    """Squared distance of (remanence, contact) from the truth in the result's own covariance."""
    both = [result.names.index("remanence"), result.names.index("contact")]
    away = np.array([result.values[both[0]] - TRUE_BR, result.values[both[1]] - TRUE_CONTACT])
    return away @ np.linalg.solve(result.covariance[np.ix_(both, both)], away)


def check_scores(z, joint_distances):
    n = len(z)
    # Means within 4 standard errors of 0, spreads near 1 (a little under: scatter only ever widens), and the
    # joint 95 % region covers: binomial 4-sigma bounds.
    assert np.all(np.abs(z.mean(axis=0)) < 4 / sqrt(n))
    assert np.all((z.std(axis=0) > 0.7) & (z.std(axis=0) < 1 + 4 / sqrt(2 * n)))
    covered = np.mean(np.array(joint_distances) < chdtri(2, 0.05))
    assert covered > 0.95 - 4 * sqrt(0.05 * 0.95 / n)


HEIGHTS = np.arange(12) * 2e-3


@pytest.mark.costly
@pytest.mark.parametrize("stated", [True, False], ids=["stated u", "u from scatter"])
def test_probe_recovers_remanence_and_contact(stated):
    n = 150 if stated else 50
    results = [probe_run(seed, HEIGHTS, **({} if stated else {"u_B": None})) for seed in range(n)]
    check_scores(scores(results), [joint(r) for r in results])
    assert results[0].remanence.u < 0.01
    assert results[0].contact.u < 0.1e-3
    # The contact cannot be known better than the depth of the probe's sensitive spot.
    assert all(r.contact.u > 0.05e-3 for r in results)


def test_probe_with_another_temperature():
    # -0.11 %/K: a magnet 10 K warmer is 1.1 % weaker; the result is stated at 20 degrees Celsius.
    B = axis_field(HEIGHTS + TRUE_CONTACT + 0.5e-3, Br=TRUE_BR * (1 - 0.0011 * 10))
    found = from_probe(
        NOMINAL, HEIGHTS, B, contact=START, probe_offset=m(0.5e-3), u_B=1e-4, temperature=303.15
    )
    assert found.remanence.value == pytest.approx(TRUE_BR, rel=1e-6)
    assert found.contact.value == pytest.approx(TRUE_CONTACT, abs=1e-8)


def sphere_force(gap, moment, radius, Br=TRUE_BR):
    """Pull on a uniformly magnetised sphere: by the mean-value theorem that on a dipole at its centre.

    Bz is harmonic, so its mean over a sphere is its value at the centre (Laplace's equation).
    """
    h = 1e-6
    z = gap + radius
    return -moment * (axis_field(z + h, Br) - axis_field(z - h, Br)) / (2 * h)


SPHERE = Sample("nickel sphere", "sphere", m(3e-3), diameter=m(3e-3))
#: Nickel, 55.1 A m^2/kg at 8908 kg/m^3 (room-temperature value of the force method; known to 1 % at best).
MOMENT = m(55.1 * 8908 * 4 / 3 * np.pi * 1.5e-3**3, 55.1 * 8908 * 4 / 3 * np.pi * 1.5e-3**3 * 0.003)


@pytest.mark.slow
def test_standard_sample_recovers_remanence_and_contact():
    heights, u, results = np.arange(12) * 0.8e-3, 2e-5, []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        moment = MOMENT.value + MOMENT.u * rng.standard_normal()
        F = sphere_force(heights + TRUE_CONTACT, moment, 1.5e-3) + u * rng.standard_normal(12)
        results.append(
            from_standard(NOMINAL, SPHERE, MOMENT, heights, F, contact=START, u_force=u, soft=False)
        )
    check_scores(scores(results), [joint(r) for r in results])
    # The moment's 0.3 % goes whole into the remanence.
    assert results[0].remanence.u == pytest.approx(0.003 * TRUE_BR, rel=0.1)


def test_soft_standard_counts_only_where_it_is_saturated():
    # Demagnetising field of the sphere: M/3 = 163.6 kA/m; 1.5 times that is 245 kA/m, reached to about 2 mm.
    heights = np.arange(20) * 0.25e-3
    F = sphere_force(heights + TRUE_CONTACT, MOMENT.value, 1.5e-3)
    found = from_standard(NOMINAL, SPHERE, MOMENT, heights, F, contact=START, u_force=2e-5)
    field = axis_field(heights + 1.0e-3 + 1.5e-3, Br=1.32) / MU0
    np.testing.assert_array_equal(found.used, field >= 1.5 * 55.1 * 8908 / 3)
    assert 0 < found.used.sum() < 20
    assert np.all(np.isnan(found.residuals[~found.used]))
    assert "245 kA/m" in found.warnings[0]


def pair_force(gap, Br, R=5e-3, L=10e-3):
    """Bessel integral of Vokoun et al., J. Magn. Magn. Mater. 321 (2009) 3758, for two equal cylinders."""

    def integrand(q):
        return j1(R * q) ** 2 * np.exp(-q * gap) * np.expm1(-q * L) ** 2 / q

    return np.pi * Br**2 * R**2 / MU0 * quad(integrand, 1e-9, 40 / gap, limit=1000, epsrel=1e-10)[0]


@pytest.mark.costly
def test_pair_of_like_magnets():
    small = ReferenceMagnet("cylinder", m(10e-3), m(1.32), diameter=m(10e-3), **EVEN)
    heights, u = np.arange(15) * 1.5e-3, 2e-3
    clean = np.array([pair_force(h + TRUE_CONTACT, TRUE_BR) for h in heights])
    results = [
        from_pair(
            small,
            heights,
            clean + u * np.random.default_rng(seed).standard_normal(15),
            contact=START,
            u_force=u,
        )
        for seed in range(25)
    ]
    check_scores(scores(results), [joint(r) for r in results])
    # Stronger looks like closer: a larger contact gap goes with a larger remanence.
    assert all(0.9 < r.correlation < 1 for r in results)


@pytest.mark.slow
def test_the_magnets_sizes_are_in_the_uncertainty():
    """True sizes drawn about the stated ones; and where none is stated, it is said."""
    heights, u, small = np.arange(8) * 2.5e-3, 2e-4, 30e-6
    results = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        R, L = 5e-3 + 0.5 * small * rng.standard_normal(), 10e-3 + small * rng.standard_normal()
        F = np.array([pair_force(h + TRUE_CONTACT, TRUE_BR, R, L) for h in heights])
        stated = ReferenceMagnet("cylinder", m(10e-3, small), m(1.32), diameter=m(10e-3, small), **EVEN)
        F = F + u * rng.standard_normal(len(heights))
        results.append(from_pair(stated, heights, F, contact=START, u_force=u))
    check_scores(scores(results), [joint(r) for r in results])
    exact = from_pair(
        ReferenceMagnet("cylinder", m(10e-3), m(1.32), diameter=m(10e-3), **EVEN),
        heights,
        F,
        contact=START,
        u_force=u,
    )
    assert any("sizes" in warning for warning in exact.warnings)
    assert not any("sizes" in warning for warning in results[-1].warnings)
    # Taken as exact, sizes off by that much lead far astray.
    assert abs(exact.remanence.value - TRUE_BR) > 5 * exact.remanence.u


def test_far_readings_alone_are_refused():
    far = 30e-3 + np.arange(8) * 1e-3
    with pytest.raises(NotPossible, match=r"remanence .*contact gap"):
        probe_run(1, far)


def test_near_twins_are_refused_even_without_noise():
    # Perfect readings over a range of 0.2 mm fit perfectly, yet say nothing: condition, not scatter, decides.
    heights = 5e-3 + np.linspace(0, 0.2e-3, 6)
    B = axis_field(heights + TRUE_CONTACT)
    with pytest.raises(NotPossible, match="cannot tell the remanence from the contact gap"):
        from_probe(NOMINAL, heights, B, contact=START, probe_offset=m(0.0))


def test_holding_one_of_the_two():
    # Far readings and a known contact gap: the remanence alone can be had.
    far = 20e-3 + np.arange(8) * 1e-3
    stated = {"contact": m(TRUE_CONTACT, 0.02e-3), "hold": "contact"}
    held = probe_run(3, far, u=0.05e-3, depth=m(0.5e-3, 0.02e-3), **stated)
    assert abs(held.remanence.value - TRUE_BR) < 3 * held.remanence.u
    assert held.remanence.u < 0.01
    assert held.contact.u == pytest.approx(0.02e-3, rel=0.1)
    known = ReferenceMagnet("cylinder", m(10e-3), m(TRUE_BR, 0.004), diameter=m(20e-3), **EVEN)
    B = axis_field(far + TRUE_CONTACT)
    other = from_probe(known, far, B, contact=START, probe_offset=m(0.0), u_B=0.05e-3, hold="remanence")
    assert other.contact.value == pytest.approx(TRUE_CONTACT, abs=1e-6)


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_heights_are_refused(count):
    with pytest.raises(NotPossible, match="at least 3"):
        probe_run(0, np.repeat(np.arange(count) * 5e-3, 4))


def test_scatter_beyond_the_stated_uncertainty_is_said_and_widens():
    honest = probe_run(11, HEIGHTS, u=0.3e-3)
    rng = np.random.default_rng(11)
    B = axis_field(HEIGHTS + TRUE_CONTACT + 0.5e-3) + 1.5e-3 * rng.standard_normal(12)
    found = from_probe(NOMINAL, HEIGHTS, B, contact=START, probe_offset=m(0.5e-3, 0.05e-3), u_B=0.3e-3)
    assert any("scatter" in text for text in found.warnings)
    assert found.remanence.u > 2 * honest.remanence.u


def test_a_refusal_for_scatter_says_so():
    B = axis_field(HEIGHTS + TRUE_CONTACT + 0.5e-3) + 5e-3 * np.random.default_rng(11).standard_normal(12)
    with pytest.raises(NotPossible, match=r"too vague.*scatter"):
        from_probe(NOMINAL, HEIGHTS, B, contact=START, probe_offset=DEPTH, u_B=0.3e-3)


def test_an_outlier_is_named():
    B = axis_field(HEIGHTS + TRUE_CONTACT + 0.5e-3)
    B[4] += 4e-3
    found = from_probe(NOMINAL, HEIGHTS, B, contact=START, probe_offset=m(0.5e-3), u_B=0.2e-3)
    assert next(text for text in found.warnings if "off the fit" in text).startswith("reading 5 ")
    assert sum("off the fit" in text for text in found.warnings) == 1
    assert int(np.argmax(np.abs(found.residuals))) == 4


def test_missing_readings_are_left_out():
    B = axis_field(HEIGHTS + TRUE_CONTACT + 0.5e-3)
    B[3] = np.nan
    found = from_probe(NOMINAL, HEIGHTS, B, contact=START, probe_offset=m(0.5e-3), u_B=1e-4)
    assert not found.used[3]
    assert found.remanence.value == pytest.approx(TRUE_BR, rel=1e-6)


def test_bench_lines_are_toml_a_bench_file_reads():
    found = probe_run(2, HEIGHTS)
    lines = tomllib.loads(found.bench_lines(BENCH, *DATES))
    Br = parse_measured(lines["reference_magnet"]["remanence"], "T")
    contact = parse_measured(lines["gap"]["contact"], "m")
    assert Br.value == pytest.approx(found.remanence.value, abs=0.1 * found.remanence.u)
    assert Br.u == pytest.approx(found.remanence.u, rel=0.05)
    assert contact.value == pytest.approx(found.contact.value, abs=0.1 * found.contact.u)
    assert contact.u == pytest.approx(found.contact.u, rel=0.05)
    assert lines["reference_magnet"]["remanence_contact_correlation"] == pytest.approx(
        found.correlation, abs=5e-4
    )


def test_bench_lines_keep_what_only_the_two_together_know():
    """A pair of magnets leaves remanence and contact correlated by 0.99 and more: the field they make
    together, written out and read again, moves by less than a tenth of its own uncertainty."""
    from weighloop.analysis.calibration.outcome import Calibration

    for correlation in (0.9, 0.999, 0.9998):
        remanence, contact = m(1.28734567, 0.0104), m(1.1234567e-3, 0.0401e-3)
        found = Calibration(
            "pair",
            remanence,
            contact,
            ("remanence", "contact"),
            np.array([remanence.value, contact.value]),
            np.array([[1, correlation], [correlation, 1]]) * np.outer(*2 * [[remanence.u, contact.u]]),
            np.zeros(1),
            np.ones(1, bool),
            (),
        )
        lines = tomllib.loads(found.bench_lines(BENCH, *DATES))
        assert lines["reference_magnet"]["remanence_contact_correlation"] < 1.0
        assert abs(lines["reference_magnet"]["remanence_contact_correlation"] - correlation) < 1e-6
        read = [
            parse_measured(lines["reference_magnet"]["remanence"], "T"),
            parse_measured(lines["gap"]["contact"], "m"),
        ]
        # In units of each one's own u, the narrow direction is the difference: its u is sqrt(2 (1 - r)).
        off = (read[0].value - remanence.value) / remanence.u - (read[1].value - contact.value) / contact.u
        assert abs(off) < 0.1 * sqrt(2 * (1 - correlation))


def test_wrong_calls_are_named():
    with pytest.raises(ValueError, match="same length"):
        from_probe(NOMINAL, HEIGHTS, HEIGHTS[:3], contact=START, probe_offset=m(0.0))
    with pytest.raises(ValueError, match="greater than 0"):
        probe_run(0, HEIGHTS, u_B=0.0)
    with pytest.raises(ValueError, match="hold must be"):
        probe_run(0, HEIGHTS, hold="both")
    block = ReferenceMagnet("block", m(10e-3), m(1.3), length=m(10e-3), width=m(10e-3))
    with pytest.raises(NotPossible, match="pair of blocks"):
        from_pair(block, HEIGHTS, HEIGHTS, contact=START)
