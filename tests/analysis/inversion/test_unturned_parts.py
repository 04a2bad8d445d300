"""Samples part of which was never in a field that turns it over, while their branches in the mean field meet:
the third forward model's (``tests.support.models.cells``)."""

from __future__ import annotations

import pytest

from tests.benchmarks.adversary import BOUNDED, HCJ, run_case


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1135, 1455], ids=["rod", "disc over a ring"])
def test_what_their_loop_shows_is_a_bound(seed: int) -> None:
    case = run_case(seed, trials=200)
    assert case["open"] > 0.05
    for name in BOUNDED:
        figure = case["figures"][name]
        if name == HCJ and figure["status"] == "measured":
            assert figure["low95"] <= case["true"][name] <= figure["high95"]
        else:
            assert figure["status"] == "bound"
            assert figure["value"] <= case["true"][name]
    assert any(code == "not-saturated" and "parts" in text for code, text, _ in case["warnings"])
