"""Least squares with unknowns that are not negative, or between bounds, against scipy's two solvers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from tests.support.examples import examples
from weighloop.analysis.inversion import nnls as module
from weighloop.analysis.inversion.nnls import nnls_cold, nnls_warm, nnls_within, solved


def problem(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Fewer readings than unknowns with a penalty, as a density has them: rows, right side, both squared."""
    rng = np.random.default_rng(seed)
    unknowns = int(rng.integers(2, 40))
    X = rng.standard_normal((int(rng.integers(1, 30)), unknowns))
    A = np.vstack([X, np.sqrt(10.0 ** rng.uniform(-6, 0)) * np.eye(unknowns)])
    y = np.concatenate([rng.standard_normal(len(X)), np.zeros(unknowns)])
    return A, y, A.T @ A, A.T @ y


@settings(max_examples=examples(60))
@given(seed=st.integers(0, 10**6), guess=st.sampled_from(["all", "none", "any"]))
def test_the_least_is_found_from_any_guess(seed: int, guess: str) -> None:
    A, y, normal, target = problem(seed)
    free = np.random.default_rng(seed).random(A.shape[1]) < {"all": 2.0, "none": 0.0, "any": 0.5}[guess]
    c = nnls_warm(normal, target, free)
    other = lsq_linear(A, y, (0.0, np.inf), method="bvls", tol=1e-14).x
    assert (c >= 0.0).all()
    assert np.sum((A @ c - y) ** 2) <= np.sum((A @ other - y) ** 2) * (1.0 + 1e-9)
    np.testing.assert_allclose(A @ c, A @ other, atol=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_without_a_guess_they_are_the_same(seed: int) -> None:
    """nnls of C. L. Lawson and R. J. Hanson, as scipy has it."""
    _, _, normal, target = problem(seed)
    c = nnls_warm(normal, target, np.ones(len(target), bool))
    np.testing.assert_allclose(nnls_cold(normal, target), c, rtol=1e-6, atol=1e-9)


@settings(max_examples=examples(60))
@given(
    seed=st.integers(0, 10**6),
    tight=st.floats(-3.0, 1.0),
    rounds=st.sampled_from([0, 40]),
    patience=st.sampled_from([0, 3]),
    guess=st.sampled_from([0.0, 0.3, 1.0]),
)
def test_the_least_within_bounds(seed: int, tight: float, rounds: int, patience: int, guess: float) -> None:
    """Of any first unknown and others up to bounds that some reach, from any guess of those, changed all
    at once or (``patience`` 0) one by one; ``rounds`` 0 is the way taken where that does not end."""
    A, y, *_ = problem(seed)
    most = 10.0 ** (tight + np.random.default_rng(seed).random(A.shape[1]))
    most[0] = np.inf
    held = np.random.default_rng(seed).random(A.shape[1]) < guess
    held[0] = False
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MOST_BOUNDED", rounds)
        patch.setattr(module, "AT_ONCE", patience)
        c, at_most = nnls_within(A, y, most, held)
    np.testing.assert_array_equal(at_most, c == most)
    lowest = np.r_[-np.inf, np.zeros(len(c) - 1)]
    other = lsq_linear(A, y, (lowest, most), tol=1e-14).x
    assert (c[1:] >= 0.0).all()
    assert (c <= most).all()
    assert np.sum((A @ c - y) ** 2) <= np.sum((A @ other - y) ** 2) * (1.0 + 1e-8)


def test_solved() -> None:
    A = np.random.default_rng(1).standard_normal((9, 4))
    normal, right = A.T @ A, np.eye(4)[:, :2]
    np.testing.assert_allclose(normal @ solved(normal, right), right, atol=1e-9)
