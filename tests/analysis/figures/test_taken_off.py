"""A sample without return-point memory, taken off for every change of spacers: the third forward model's
(``tests.support.models.cells``), of the material of D. C. Jiles and D. L. Atherton, J. Magn. Magn. Mater. 61
(1986) 48, whose minor loops do not close."""

from __future__ import annotations

import pytest

from tests.benchmarks.adversary import run_case


@pytest.mark.slow
def test_even_the_coercivity_is_a_bound() -> None:
    case = run_case(837, trials=100)
    assert case["strata"]["material"] == "Jiles-Atherton"
    assert case["strata"]["ladder"] == "spacers"
    for name in ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m"):
        figure = case["figures"][name]
        assert figure["status"] == "bound"
        assert figure["value"] <= case["true"][name]
        assert "A lift would tell" in figure["why"]
