"""Samples that turn over within a few hundredths of HcJ in an own field of many times that: the third forward
model's (``tests.support.models.cells``), whose cells all feel one another."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.adversary import run_case
from weighloop.analysis.inversion.monotone_spline import MonotoneSpline


@pytest.mark.slow
@pytest.mark.parametrize("seed", [725, 753, 765], ids=["rod", "tall cylinder", "disc"])
def test_the_coercivities_are_measured(seed: int) -> None:
    case = run_case(seed, trials=200)
    assert case["method"]["evidence"]["weight_shape"] > 0.5
    for name in ("coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m"):
        figure = case["figures"][name]
        assert figure["status"] == "measured"
        assert figure["low95"] <= case["true"][name] <= figure["high95"]
        assert figure["u"] < 0.02 * figure["value"]
    assert (
        case["figures"]["coercivity_HcB_A_per_m"]["value"]
        < case["figures"]["coercivity_HcJ_A_per_m"]["value"]
    )


def test_a_branch_rises_no_more_steeply_than_it_may() -> None:
    """A step read at twenty fields, which the steepest line that is allowed comes nearest to."""
    u, ones = np.linspace(-1.0, 1.0, 20), np.ones((20, 1))
    for steepest in (0.7, 3.0, np.inf):
        spline = MonotoneSpline()
        spline.begin(u[:, None], ones, steepest)
        X = spline.design(u[:, None], ones) / 1e-3
        c, _ = spline.fit(X, np.sign(u) / 1e-3, spline.smoothing(X, np.sign(u) / 1e-3))
        fine = np.linspace(-1.0, 1.0, 2001)
        value, slope = spline.state(c, fine)
        assert slope.min() >= -1e-9
        assert slope.max() <= steepest * (1.0 + 1e-9)
        assert slope.max() > 0.99 * min(steepest, 10.0)
        np.testing.assert_allclose(np.gradient(value, fine), slope, atol=0.05 * slope.max())
