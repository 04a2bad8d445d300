"""Samples part of which was never in a field that turns it over, while their branches in the mean field meet:
the third forward model's (``tests.support.models.cells``)."""

from __future__ import annotations

import pytest

from tests.benchmarks.adversary import BOUNDED, HCJ, run_case


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "measured"),
    [(1135, {HCJ}), (1597, set(BOUNDED)), (1003, set()), (1455, {HCJ})],
    ids=["taken off", "a few per cent", "much", "over a ring"],
)
def test_what_is_short_is_in_u_or_makes_a_bound(seed: int, measured: set[str]) -> None:
    case = run_case(seed, trials=200)
    assert case["open"] > 0.05
    assert {name for name in BOUNDED if case["figures"][name]["status"] == "measured"} == measured
    told = [name for name in BOUNDED if case["figures"][name]["status"] != "not determined"]
    assert len(told) >= 3
    for name in told:
        figure, true = case["figures"][name], case["true"][name]
        assert figure["low95"] <= true
        if name in measured:
            assert true <= figure["high95"]
            assert "By that much it may be larger" in figure["why"]
        else:
            assert figure["status"] == "bound"
    knee = case["figures"]["knee_field_Hk_A_per_m"]
    assert knee["status"] == ("measured" if len(measured) > 1 else "not determined")
