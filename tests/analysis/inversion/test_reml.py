"""How smooth a curve is, against scipy's multivariate normal distribution and smoothing spline."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import make_smoothing_spline
from scipy.optimize import lsq_linear

from tests.support.examples import examples
from weighloop.analysis.inversion.monotone_spline import MonotoneSpline, Order
from weighloop.analysis.inversion.reml import main_columns, restricted_likelihoods
from weighloop.analysis.inversion.settings import KNEES, SMOOTH


def problem(seed: int, n: int = 12, K: int = 9, level: int = 2) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    X, shapes = rng.standard_normal((n, K)), rng.standard_normal((K, K - level))
    flat = np.linalg.qr(rng.standard_normal((K, level)))[0]
    y = X @ (shapes @ rng.standard_normal(K - level) * 3.0 + flat @ rng.standard_normal(level) * 50.0)
    return X, y + rng.standard_normal(n), shapes, flat


def log_density(y: np.ndarray, spread: np.ndarray) -> float:
    """Of normal readings about nothing; by scipy, whose ``stats`` are slow to load and wanted here alone."""
    from scipy.stats import multivariate_normal

    return float(multivariate_normal(np.zeros(len(y)), spread).logpdf(y))


@settings(max_examples=examples(20))
@given(st.integers(0, 10_000))
def test_no_weight_makes_the_readings_likelier(seed: int) -> None:
    """The likelihood is that of scipy's ``multivariate_normal``, what is not penalised as good as unknown."""
    X, y, shapes, flat = problem(seed)

    def deviance(weight: float) -> float:
        rough, level = X @ shapes, X @ flat
        spread = np.eye(len(y)) + rough @ rough.T / weight + 1e7 * level @ level.T
        return -2.0 * log_density(y, spread)

    found = restricted_likelihoods(X, y, shapes, flat)
    weight = float(found.weights[found.best])
    best = deviance(weight)
    for factor in (0.01, 0.1, 0.5, 2.0, 10.0, 100.0):
        # The weights tried are a quarter of a decade apart.
        assert best <= deviance(weight * factor) + 0.05


def test_the_likelihood_itself_where_everything_is_penalised() -> None:
    X, y, shapes, _ = problem(3, level=0)
    found = restricted_likelihoods(X, y, shapes)
    i = found.best
    weight, told = found.weights[i], found.log_det[i] + found.penalised_rss[i]
    rough = X @ shapes
    known = log_density(y, np.eye(len(y)) + rough @ rough.T / weight)
    assert told == pytest.approx(-2.0 * known - len(y) * np.log(2.0 * np.pi), rel=1e-9)


@settings(max_examples=examples(20))
@given(st.integers(0, 10_000))
def test_fewer_columns_say_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    columns = rng.standard_normal((30, 3)) @ rng.standard_normal((3, 12))
    fewer = main_columns(columns)
    assert fewer.shape == (30, 3)
    np.testing.assert_allclose(fewer @ fewer.T, columns @ columns.T, atol=1e-9)


@pytest.mark.costly
def test_of_splines_that_rise_the_likeliest_weight_is_found() -> None:
    """A knee sharper than any smooth spline that rises can follow: penalty and weight chosen are those
    at which what scipy's ``lsq_linear`` leaves under the bound, and the freedom of the curve, are least;
    where the bound is idle they are those of all splines. Parabolas are free, whatever the penalty."""
    u, ones = np.linspace(-1.0, 1.0, 16), np.ones((16, 1))
    spline = MonotoneSpline()
    spline.begin(u[:, None], ones)
    X = spline.design(u[:, None], ones) / 1e-3
    sharp, dull = np.tanh((u - 0.03) / 0.04) / 1e-3, np.tanh((u - 0.03) / 0.8) / 1e-3
    assert spline.smoothing(X, dull) == spline.smoothing(X, dull, bound=False)
    assert list(spline.orders) == [SMOOTH]
    weight = spline.smoothing(X, sharp)
    assert list(spline.orders) == [KNEES]

    size, lowest = X.shape[1], np.r_[-np.inf, np.zeros(X.shape[1] - 1)]
    deviances: dict[int, list[float]] = {}
    for order in (SMOOTH, KNEES):
        bend = spline.bend[order]
        _, sizes, axes = np.linalg.svd(bend)
        found = restricted_likelihoods(X, sharp, axes[: size - 3].T / sizes, axes[size - 3 :].T)
        closest = int(np.argmin(np.abs(np.log(found.weights / weight))))
        deviances[order] = []
        for i in range(max(closest - 8, 0), found.best + 5):
            A = np.vstack([X, np.sqrt(found.weights[i]) * bend]) @ spline.rising
            best = lsq_linear(A, np.r_[sharp, np.zeros(len(bend))], (lowest, np.inf), tol=1e-12)
            deviances[order].append(float(found.log_det[i] + 2.0 * best.cost))
            if order == KNEES and i == closest:
                assert found.weights[i] == pytest.approx(weight)
                chosen = deviances[order][-1]
    # Every second weight is tried.
    assert chosen <= min(deviances[SMOOTH] + deviances[KNEES]) + 1.0


def test_a_branch_that_either_may_have_given_is_the_mean_of_both() -> None:
    """Of a curve whose readings tell neither penalty apart each counts by its likelihood, that of scipy's
    ``multivariate_normal`` with parabolas as good as unknown; what the two differ by is left open."""
    u, ones = np.linspace(-1.0, 1.0, 9), np.ones((9, 1))
    spline = MonotoneSpline()
    spline.begin(u[:, None], ones)
    X, y = spline.design(u[:, None], ones) / 3e-3, np.tanh((u + 0.1) / 0.3) / 3e-3
    weight = spline.smoothing(X, y, bound=False)
    assert set(spline.orders) == {SMOOTH, KNEES}
    assert sum(by.share for by in spline.orders.values()) == pytest.approx(1.0)
    logs = {}
    for order, by in spline.orders.items():
        _, sizes, axes = np.linalg.svd(spline.bend[order])
        rough, level = X @ (axes[: len(sizes)].T / sizes), X @ axes[len(sizes) :].T
        spread = np.eye(len(y)) + rough @ rough.T / (weight * by.weight) + 1e3 * level @ level.T
        logs[order] = log_density(y, spread)
    odds = spline.orders[KNEES].share / spline.orders[SMOOTH].share
    assert np.log(odds) == pytest.approx(logs[KNEES] - logs[SMOOTH], abs=0.02)

    c, free = spline.fit(X, y, weight)
    each = {}
    for order, by in spline.orders.items():
        alone = MonotoneSpline({order: Order(1.0, 1.0)})
        alone.begin(u[:, None], ones)
        each[order] = alone.fit(X, y, weight * by.weight)[0]
    np.testing.assert_allclose(c, sum(by.share * each[n] for n, by in spline.orders.items()), rtol=1e-9)
    apart = (each[KNEES] - each[SMOOTH]) ** 2 * np.prod([by.share for by in spline.orders.values()])
    left = spline.unseen(X, weight, free)
    assert np.all((left**2).sum(axis=1) >= apart * (1.0 - 1e-9))


@pytest.mark.costly
@pytest.mark.parametrize(("width", "count"), [(0.3, 12), (0.1, 12), (0.1, 24)])
def test_a_branch_between_few_readings_errs_as_much_as_it_says(width: float, count: int) -> None:
    """A tanh seen at some fields with noise, which may fall through between two of them: what is left open
    (``unseen``) and the readings' own spread together are what the branch is off by, level stretches and
    steep ones alike; scipy's smoothing spline by generalised cross-validation, which
    knows nothing of the noise, is off by no less."""
    u, fine = np.linspace(-1.0, 1.0, count), np.linspace(-0.98, 0.98, 160)
    true = lambda h: np.tanh((h - 0.05) / width)  # noqa: E731
    squares, others = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        y = true(u) + 3e-3 * rng.standard_normal(len(u))
        spline = MonotoneSpline()
        spline.begin(u[:, None], np.ones((len(u), 1)))
        X = spline.design(u[:, None], np.ones((len(u), 1))) / 3e-3
        weight = spline.smoothing(X, y / 3e-3)
        c, free = spline.fit(X, y / 3e-3, weight)
        basis = spline.basis(fine).toarray()
        of_readings = basis @ spline.answer(X, weight, free)
        left_open = basis @ spline.unseen(X, weight, free)
        off = basis @ c - true(fine)
        squares.append(off**2 / ((of_readings**2).sum(axis=1) + (left_open**2).sum(axis=1)))
        others.append([np.mean(off**2), np.mean((make_smoothing_spline(u, y)(fine) - true(fine)) ** 2)])
    assert 0.4 < np.mean(squares) < 1.6
    ours, theirs = np.mean(others, axis=0)
    assert ours <= theirs
