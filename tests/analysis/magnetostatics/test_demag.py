"""Demagnetising factors: laws of any shape, and what is said about a wrong one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weighloop.analysis.magnetostatics.demagnetising_factor import (
    cylinder,
    demag,
    demagnetising_factor,
    prism,
    spheroid,
)
from weighloop.analysis.records.bench import Sample
from weighloop.analysis.units import Measured

LENGTH = st.floats(0.1e-3, 50e-3)


@given(LENGTH, LENGTH, LENGTH, st.floats(1e-2, 1e2))
def test_block_factors_sum_to_one_and_know_no_size(a, b, c, scale):
    # The trace of the demagnetising tensor is 1 for any body (Moskowitz & Della Torre, IEEE Trans. Magn. 2
    # (1966) 739; from memory); magnetostatics has no length of its own.
    found = demag("block", length=a, width=b, height=c)
    assert found.axial + found.N_x + found.N_y == pytest.approx(1, abs=1e-9)
    assert found.transverse == pytest.approx((1 - found.axial) / 2, abs=1e-9)
    assert min(found.axial, found.N_x, found.N_y) > -1e-9
    larger = demag("block", length=a * scale, width=b * scale, height=c * scale)
    assert larger.axial == pytest.approx(found.axial, abs=1e-9)


@given(LENGTH, LENGTH, LENGTH)
def test_block_lying_on_another_side(a, b, c):
    up, turned = demag("block", length=a, width=b, height=c), demag("block", length=c, width=b, height=a)
    assert turned.N_x == pytest.approx(up.axial, abs=1e-9)
    assert turned.axial == pytest.approx(up.N_x, abs=1e-9)


@pytest.mark.parametrize("factor", [cylinder, spheroid, lambda t: prism(1, 1, t)])
def test_flat_is_one_and_slender_is_nothing(factor):
    # Limits of any body of given cross-section: thin sheet 1, long needle 0; falling between.
    values = [factor(t) for t in np.geomspace(1e-4, 1e3, 60)]
    assert np.all(np.diff(values) < 0)
    assert values[0] > 0.999
    assert 0 < values[-1] < 1e-3


def test_slender_cylinder_against_its_series():
    # N = 4/(3 pi) D/L - (D/L)^2/8 + ...: Nagaoka's coefficient of long solenoids, from memory.
    for slenderness in (20.0, 200.0):
        flatness = 1 / slenderness
        series = 4 / (3 * np.pi) * flatness - flatness**2 / 8
        assert cylinder(slenderness) == pytest.approx(series, abs=flatness**4)


def test_cylinder_is_near_the_prism_of_equal_area():
    # Within 2 %: common practice, no source.
    for slenderness in (0.3, 1.0, 3.0):
        side = np.sqrt(np.pi) / 2
        assert cylinder(slenderness) == pytest.approx(prism(side, side, slenderness), rel=0.02)


def test_sample_of_each_shape():
    m = Measured
    sphere = demagnetising_factor(Sample("WP-07-1", "sphere", m(3e-3), diameter=m(3e-3)))
    assert (sphere.axial, sphere.N_x, sphere.N_y) == pytest.approx((1 / 3, 1 / 3, 1 / 3))
    ball = demagnetising_factor(Sample("WP-07-2", "spheroid", m(3e-3), diameter=m(3e-3)))
    assert ball.axial == pytest.approx(1 / 3, abs=1e-14)
    cube = demagnetising_factor(Sample("WP-07-3", "block", m(3e-3), length=m(3e-3), width=m(3e-3)))
    assert cube.axial == pytest.approx(1 / 3, abs=1e-14)
    disc = demagnetising_factor(Sample("WP-07-4", "cylinder", m(3e-3), diameter=m(6e-3)))
    # Elliptic integrals, Hankel integral and disc-to-disc distances agree on this figure.
    assert disc.axial == pytest.approx(0.474489975748, abs=1e-11)


@pytest.mark.parametrize(
    ("shape", "lengths", "said"),
    [
        ("cone", {"diameter": 1e-3}, "cone"),
        ("cylinder", {"diameter": 6e-3}, "height is missing"),
        ("sphere", {"diameter": 6e-3, "height": 6e-3}, "height does not belong"),
        ("block", {"length": 1e-3, "width": 0.0, "height": 1e-3}, "width of a block must be greater than 0"),
        ("cylinder", {"diameter": float("nan"), "height": 1e-3}, "diameter of a cylinder must be"),
    ],
)
def test_wrong_shapes_are_named(shape, lengths, said):
    with pytest.raises(ValueError, match=said):
        demag(shape, **lengths)


def test_a_size_missing_is_named():
    with pytest.raises(ValueError, match="width"):
        demagnetising_factor(Sample("WP-07-1", "block", Measured(1e-3), length=Measured(1e-3)))
