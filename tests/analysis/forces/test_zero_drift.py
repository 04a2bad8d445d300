"""The zero as a smooth function of time, against a smoother by the textbook and its worked example."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from tests.support.examples import examples
from tests.support.models.zeros import TrueZero, loop_with_zero, zero_bench
from weighloop.analysis.forces.branches import arrange
from weighloop.analysis.forces.zero_drift import (
    ZeroDrift,
    ZeroReadings,
    ZeroStep,
    deviance,
    main_root,
    smooth,
    with_wander,
)

#: Annual flow of the Nile at Aswan, 1871 to 1970, 1e8 m^3: G. W. Cobb, Biometrika 65 (1978) 243; the example
#: of J. Durbin and S. J. Koopman, Time Series Analysis by State Space Methods (2001), chapter 2.
NILE = """
1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100 1210 1150
1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702 1120 1100 832
764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801
1040 860 874 848 890 744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740
"""
FLOW = np.array(NILE.split(), float)
YEAR = np.arange(len(FLOW), dtype=float)
#: What the book finds most likely: variances of the irregular and of the level's steps (section 2.10).
IRREGULAR, STEPS = 15099.0, 1469.1


def by_the_book(y: np.ndarray, irregular: float, steps: float) -> tuple[np.ndarray, np.ndarray]:
    """Level and its variance by the Kalman filter and the smoothing recursions of sections 2.2 and 2.4, begun
    with a variance that tells nothing."""
    n = len(y)
    a, P = np.zeros(n + 1), np.zeros(n + 1)
    P[0] = 1e10
    v, F = np.zeros(n), np.zeros(n)
    for t in range(n):
        v[t], F[t] = y[t] - a[t], P[t] + irregular
        gain = P[t] / F[t]
        a[t + 1], P[t + 1] = a[t] + gain * v[t], P[t] * (1 - gain) + steps
    level, variance = np.zeros(n), np.zeros(n)
    r = N = 0.0
    for t in reversed(range(n)):
        L = irregular / F[t]
        r, N = v[t] / F[t] + L * r, 1 / F[t] + L**2 * N
        level[t], variance[t] = a[t] + P[t] * r, P[t] - P[t] ** 2 * N
    return level, variance


def local_level(irregular: float, steps: float) -> tuple[ZeroDrift, ZeroReadings]:
    drift = ZeroDrift(0.0, np.sqrt(steps), level=1e5, drift=0.0)
    return drift, ZeroReadings(YEAR, FLOW, np.full(len(FLOW), np.sqrt(irregular)))


def test_the_nile_by_the_kalman_smoother_of_the_book():
    found = smooth(*local_level(IRREGULAR, STEPS), YEAR)
    level, variance = by_the_book(FLOW, IRREGULAR, STEPS)
    np.testing.assert_allclose(found.mean, level, rtol=1e-5)
    np.testing.assert_allclose(np.diag(found.covariance), variance, rtol=1e-4)


def test_the_nile_wanders_as_the_book_says():
    """The likeliest variances are the book's, 15099 and 1469.1 (given there to these digits)."""
    found = minimize(lambda p: deviance(*local_level(*np.exp(p))), np.log([1e4, 1e3]), method="Nelder-Mead")
    np.testing.assert_allclose(np.exp(found.x), [IRREGULAR, STEPS], rtol=0.01)


def test_the_wander_of_zeros_is_found_from_them():
    rng = np.random.default_rng(2)
    time = np.cumsum(rng.uniform(20, 400, 60))
    for over_a_minute in (0.5e-6, 3e-6, 20e-6):
        zero = np.cumsum(over_a_minute * np.sqrt(np.diff(time, prepend=0.0) / 60) * rng.standard_normal(60))
        read = ZeroReadings(time, zero + 1e-6 * rng.standard_normal(60), np.full(60, 1e-6))
        found = with_wander(ZeroDrift(0.0, 0.0), read)
        assert found.wander * np.sqrt(60) == pytest.approx(over_a_minute, rel=0.5)


def test_a_steady_drift_between_two_zeros_is_a_line():
    read = ZeroReadings(np.array([0.0, 600.0]), np.array([0.0, 5e-6]), np.full(2, 1e-12))
    at = np.linspace(0, 600, 7)
    found = smooth(ZeroDrift(0.0, 1e-7), read, at)
    np.testing.assert_allclose(found.mean, 5e-6 * at / 600, atol=1e-10)
    # A random walk pinned at both ends: a Brownian bridge (textbook: variance t (T - t)/T of a unit walk).
    np.testing.assert_allclose(np.diag(found.covariance), 1e-14 * at * (600 - at) / 600, atol=1e-18)


@settings(max_examples=examples(30))
@given(st.floats(-1e-3, 1e-3), st.floats(50, 550), st.integers(0, 2**31))
def test_a_step_is_followed_wherever_it_is(size, at, seed):
    rng = np.random.default_rng(seed)
    time = np.sort(rng.uniform(0, 600, 20))
    read = ZeroReadings(time, size * (time > at) + 1e-6 * rng.standard_normal(20), np.full(20, 1e-6))
    found = smooth(ZeroDrift(0.0, 1e-9, steps=(ZeroStep(at, 1e-2),)), read, time)
    before, after = time <= at, time > at
    if before.any() and after.any():
        np.testing.assert_allclose(found.mean[before], 0.0, atol=8e-6)
        np.testing.assert_allclose(found.mean[after], size, atol=8e-6)


def test_a_root_keeps_all_but_what_is_nowhere_large():
    rng = np.random.default_rng(1)
    A = rng.standard_normal((30, 30)) * 0.7 ** np.arange(30)
    root, left = main_root(A @ A.T, 0.1)
    assert root.shape[1] < 30
    np.testing.assert_allclose((root**2).sum(axis=1) + left, np.diag(A @ A.T))
    assert np.abs(root).max(axis=0).min() > 0.1


@pytest.mark.parametrize("how", ["by hand", "turner", "lift"])
def test_the_zero_of_a_loop_is_known_before_any_fit(how):
    """A drift of 20 mg an hour and a walk of 1 mg in a minute: known to what it says."""
    off = []
    for seed in range(12):
        zero = TrueZero(start=30e-6, rate=20e-6 / 3600, walk=1e-6 / np.sqrt(60), seed=seed)
        still = loop_with_zero(how, TrueZero(), seed)
        moved = loop_with_zero(how, zero, seed)
        zeros = arrange(moved, zero_bench(how)).zeros
        assert zeros.track is not None
        off.append((zeros.change - still.reading) / zeros.u_change)
    assert 0.4 < np.std(off) < 1.3
