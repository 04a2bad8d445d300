"""Scores of several benches against published numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weighloop.analysis.interlaboratory import AssignedValue, robust_mean, scores

#: Copper in wholemeal flour, ug/g: Analytical Methods Committee, Analyst 114 (1989) 1693; R's package MASS.
COPPER = [
    2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.4, 2.2,
    3.5, 3.6, 3.7, 3.7,
]  # fmt: skip


def test_algorithm_a_is_huber_s_second_proposal() -> None:
    """Venables and Ripley, MASS: hubers(chem) prints mu 3.205498 and s 0.673652 (k = 1.5). The standard's
    factor 1.134 is rounded: one part in a thousand of s."""
    middle, spread = robust_mean(COPPER)
    assert middle == pytest.approx(3.205498, abs=1e-4)
    assert spread == pytest.approx(0.673652, rel=1e-3)


def test_zeta_scores_of_a_published_table() -> None:
    """NIST Dataplot, "ISO 13528 zeta score", first laboratory of GEAR.DAT: assigned value 1; its u is the
    deviation of all values, which the page on z scores prints as 0.006 / 0.955; printed to 0.001."""
    values = [1.006, 0.996, 0.998, 1.000, 0.992, 0.993, 1.002, 0.999, 0.994, 1.000]
    u = float(np.std(values, ddof=1))
    assigned = AssignedValue(1.0, 0.006 / 0.955, 0.006 / 0.955, consensus=False)
    _, found = scores([(str(n), value, u) for n, value in enumerate(values)], assigned)
    printed = [0.785, -0.523, -0.261, 0.000, -1.047]
    assert [s.zeta for s in found[:5]] == pytest.approx(printed, abs=0.002)


def test_z_is_z_prime_where_the_assigned_value_is_uncertain() -> None:
    """NIST Dataplot, "ISO 13528 zprime score": (x - xref) / sqrt(sigma^2 + u(xref)^2); ISO 13528, 9.2.1:
    where u(xref) is above 0.3 sigma."""
    well = AssignedValue(10.0, 0.2, 1.0, consensus=False)
    badly = AssignedValue(10.0, 0.8, 1.0, consensus=False)
    results = [("a", 12.0, 0.1), ("b", 9.0, 0.1)]
    assert [s.z for s in scores(results, well)[1]] == pytest.approx([2.0, -1.0])
    assert [s.z for s in scores(results, badly)[1]] == pytest.approx(
        [2 / math.hypot(1, 0.8), -1 / math.hypot(1, 0.8)]
    )


def test_verdicts_are_those_of_the_standard() -> None:
    """ISO 13528, 9.4: up to 2 acceptable, above a warning signal, from 3 on an action signal."""
    assigned = AssignedValue(0.0, 0.0, 1.0, consensus=False)
    _, found = scores([("a", 2.0, 1.0), ("b", 2.01, 1.0), ("c", -3.0, 1.0)], assigned)
    assert [s.verdict for s in found] == ["acceptable", "warning", "action"]


@given(
    st.lists(st.integers(-1000, 1000).map(float), min_size=2, max_size=20),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 10.0),
)
def test_the_robust_average_moves_with_the_values(values: list[float], shift: float, scale: float) -> None:
    middle, spread = robust_mean(values)
    assert min(values) - 1e-6 <= middle <= max(values) + 1e-6
    moved, wider = robust_mean([scale * v + shift for v in values])
    assert moved == pytest.approx(scale * middle + shift, rel=1e-6, abs=1e-5 * (1 + abs(shift)))
    assert wider == pytest.approx(scale * spread, rel=1e-4, abs=1e-5 * (1 + abs(shift)))


def test_one_bench_is_not_enough() -> None:
    with pytest.raises(ValueError, match="two"):
        scores([("a", 1.0, 0.1)])
