"""Samples over a ring magnet that no model follows exactly: the third forward model's
(``tests.support.models.cells``), whose cells all feel one another."""

from __future__ import annotations

import pytest

from tests.benchmarks.adversary import run_case


@pytest.mark.slow
@pytest.mark.parametrize("seed", [893, 1061], ids=["rod", "disc"])
def test_over_a_ring_no_fit_runs_away(seed: int) -> None:
    """By what any model of a sample is off by, the readings were missed by 25 times as much (squared): the
    steps climbed, and each fit was smoothed by what the smoother one before had left."""
    case = run_case(seed, trials=200)
    HcJ = case["figures"]["coercivity_HcJ_A_per_m"]
    assert case["method"]["evidence"]["misfit"] < 4.0
    assert HcJ["status"] == "measured"
    assert HcJ["low95"] <= case["true"]["coercivity_HcJ_A_per_m"] <= HcJ["high95"]
