"""The worked examples of JCGM 100:2008 and JCGM 101:2008, and exact values where they have a closed form.

Values as in the published texts; where the publication gives the outcome of one Monte Carlo run, the
exact value is asserted and the published one within its own spread.
"""

from __future__ import annotations

import numpy as np
import pytest

from weighloop.analysis.figures.monte_carlo import (
    coverage_interval,
    law_of_propagation,
    numerical_tolerance,
    propagate,
    summarise,
    validates,
)

TRIALS = 400_000


def trials(model, seed=1):
    return propagate(lambda rng, n: {"Y": model(rng, n)}, seed, most=TRIALS, batch=TRIALS)["Y"]


def rectangular(rng, n, u):
    half = u * np.sqrt(3.0)
    return rng.uniform(-half, half, n)


def test_additive_model_normal():
    """JCGM 101, 9.2.2: four standard normal inputs; u = 2, 95 % interval +-3.92 (exact 2 x 1.959964)."""
    y = summarise(trials(lambda rng, n: rng.standard_normal((4, n)).sum(axis=0)))
    assert y.mean == pytest.approx(0.0, abs=0.02)
    assert y.u == pytest.approx(2.0, abs=0.01)
    assert (y.low, y.high) == pytest.approx((-3.919928, 3.919928), abs=0.03)


def test_additive_model_rectangular():
    """JCGM 101, 9.2.3: four rectangular inputs of u = 1; exact end 2 sqrt(3) (2 - (3/5)^(1/4)) = 3.8794."""
    y = summarise(trials(lambda rng, n: sum(rectangular(rng, n, 1.0) for _ in range(4))))
    exact = 2 * np.sqrt(3) * (2 - (3 / 5) ** 0.25)
    assert y.u == pytest.approx(2.0, abs=0.01)
    assert (y.low, y.high) == pytest.approx((-exact, exact), abs=0.02)
    assert exact == pytest.approx(3.88, abs=0.005)  # as published


def test_additive_model_one_dominant():
    """JCGM 101, 9.2.4: one of u = 10: law of propagation +-19.9, Monte Carlo +-17.0 (exact 17.0158)."""
    y = summarise(trials(lambda rng, n: sum(rectangular(rng, n, u) for u in (1.0, 1.0, 1.0, 10.0))))
    assert y.u == pytest.approx(np.sqrt(103.0), abs=0.05)
    assert (y.low, y.high) == pytest.approx((-17.015814, 17.015814), abs=0.05)
    u = law_of_propagation(np.ones(4), np.array([1.0, 1.0, 1.0, 100.0]))
    assert u == pytest.approx(10.148892, abs=1e-6)
    assert 1.959964 * u == pytest.approx(19.9, abs=0.05)  # as published
    assert not validates((-1.959964 * u, 1.959964 * u), (y.low, y.high), u)


def shortest_interval(y, coverage=0.95):
    """The shortest interval with the fraction ``coverage`` of the trials (JCGM 101, 7.7.4 and 5.3.4)."""
    y = np.sort(y)
    q = int(coverage * len(y) + 0.5)
    r = int(np.argmin(y[q:] - y[: len(y) - q]))
    return float(y[r]), float(y[r + q])


def central_sensitivities(f, at, u):
    """Sensitivity of ``f`` to each input by the central difference over +-u (JCGM 100, 5.1.3 note 2)."""
    c = np.zeros(len(at))
    for i in range(len(at)):
        step = np.zeros(len(at))
        step[i] = u[i]
        c[i] = (f(at + step) - f(at - step)) / (2.0 * u[i])
    return c


def mass_difference(m_Rc, dm_Rc, air, rho_W, rho_R):
    """JCGM 101, 9.3.1, formula (33): deviation from nominal in mg, buoyancy with air of 1.2 kg/m3."""
    return (m_Rc + dm_Rc) * (1 + (air - 1.2) * (1 / rho_W - 1 / rho_R)) - 100_000.0


def test_mass_calibration():
    """JCGM 101, 9.3, tables 5 and 6: the Monte Carlo method, which the law of propagation misses."""

    def model(rng, n):
        return mass_difference(
            rng.normal(100_000.0, 0.050, n), rng.normal(1.234, 0.020, n),
            rng.uniform(1.10, 1.30, n), rng.uniform(7000, 9000, n), rng.uniform(7950, 8050, n),
        )  # fmt: skip

    y = trials(model)
    s = summarise(y)
    low, high = shortest_interval(y)
    # Published: 1.2341, 0.0754, [1.0834, 1.3825] of one run; exact u 0.0754797, interval by quadrature
    # [1.08443, 1.38357], of which a run's shortest one strays along by a few parts in a thousand.
    assert s.mean == pytest.approx(1.2340, abs=0.0005)
    assert s.u == pytest.approx(0.0754797, abs=0.0004)
    assert high - low == pytest.approx(0.2991, abs=0.002)
    assert (low, high) == pytest.approx((1.08443, 1.38357), abs=0.006)

    at = np.array([100_000.0, 1.234, 1.20, 8000.0, 8000.0])
    u = np.array([0.050, 0.020, 0.10 / np.sqrt(3), 1000 / np.sqrt(3), 50 / np.sqrt(3)])
    c = central_sensitivities(lambda x: mass_difference(*x), at, u * 1e-3)
    first_order = law_of_propagation(c, u**2)
    assert first_order == pytest.approx(0.0539, abs=5e-5)
    interval = (1.2340 - 1.959964 * first_order, 1.2340 + 1.959964 * first_order)
    assert interval == pytest.approx((1.1285, 1.3395), abs=2e-4)
    # Validation at one significant digit (delta 0.005): refused; published d_low, d_high 0.0451, 0.0430.
    assert numerical_tolerance(s.u, 1) == 0.005
    assert not validates(interval, (low, high), s.u, digits=1)


def test_law_of_propagation_of_a_product():
    """JCGM 100, G.4.1: relative uncertainties 0.25, 0.57, 0.82 % of three factors make 1.03 %."""
    assert law_of_propagation(np.ones(3), np.array([0.25, 0.57, 0.82]) ** 2) == pytest.approx(
        1.0295, abs=1e-4
    )


def test_end_gauge():
    """JCGM 100, H.1: u_c(l) = 32 nm (31.664 unrounded) for a 50 mm end gauge, and 34 nm second order."""
    ls, alpha, theta = 50.000623e6, 11.5e-6, -0.1  # nm, 1/degC, degC

    def length(x):
        standard, d, d_alpha, d_theta, a, t = x
        return standard + d - standard * (d_alpha * t + a * d_theta)

    u_d = np.sqrt(5.8**2 + 3.9**2 + 6.7**2)
    u = np.array([25.0, u_d, 0.58e-6, 0.029, 1.2e-6, 0.41])
    at = np.array([ls, 215.0, 0.0, 0.0, alpha, theta])
    c = central_sensitivities(length, at, u)
    assert u_d == pytest.approx(9.7, abs=0.05)
    assert law_of_propagation(c, u**2) == pytest.approx(31.664, abs=0.15)
    # With second order (H.1.7: terms of 11.7 and 1.7 nm): the Monte Carlo method has them all.
    y = propagate(
        lambda rng, n: {"l": length(at[:, None] + u[:, None] * rng.standard_normal((6, n)))},
        1,
        most=200_000,
        batch=200_000,
    )["l"]
    assert summarise(y).u == pytest.approx(33.81, abs=0.2)


def test_thermometer_covariance():
    """JCGM 100, H.3: correction at 30 degC from intercept and slope, correlated by -0.930: u = 0.0041."""
    s1, s2, r = 0.002878, 0.0006679, -0.9304
    V = np.array([[s1**2, r * s1 * s2], [r * s1 * s2, s2**2]])
    assert law_of_propagation([1.0, 30.0 - 20.0], V) == pytest.approx(0.004139, abs=1e-5)


def test_tolerance_and_trials():
    """JCGM 101, 7.9.2 examples: u = 0.000 35 g, two digits: 0.000 005 g; u = 2 K, one digit: 0.5 K;
    and 7.9.4: max(J, 10^4) trials a batch, J >= 100/(1 - p)."""
    assert numerical_tolerance(0.00035, 2) == pytest.approx(0.000005)
    assert numerical_tolerance(2.0, 1) == 0.5
    assert numerical_tolerance(9.97, 2) == 0.5
    for coverage, batch in ((0.95, 10_000), (0.9999, 1_000_000)):
        sizes: list[int] = []

        def model(rng, n, sizes=sizes):
            sizes.append(n)
            return {"Y": np.zeros(n)}

        propagate(model, 1, most=batch + 1, coverage=coverage)
        assert sizes[0] == batch


def test_adaptive_stops_when_it_stands_still():
    """JCGM 101, 9.2.2.3 table 2: the adaptive procedure ends by itself, with u = 2.0 to two digits."""
    y = propagate(lambda rng, n: {"Y": rng.standard_normal((4, n)).sum(axis=0)}, 3, most=10_000_000)["Y"]
    assert 20_000 <= len(y) < 10_000_000
    assert summarise(y).u == pytest.approx(2.0, abs=0.05)


def test_intervals_of_a_skewed_output():
    """Exponential law: symmetric 95 % interval -ln(0.975), -ln(0.025) (textbook quantiles)."""
    y = np.random.default_rng(5).exponential(size=500_000)
    assert coverage_interval(y) == pytest.approx((-np.log(0.975), -np.log(0.025)), rel=0.02)


def test_missing_trials_are_counted():
    s = summarise(np.array([1.0, np.nan, 3.0, np.nan]))
    assert s.missing == 0.5
    assert s.mean == 2.0
    assert np.isnan(summarise([np.nan, np.nan]).u)
