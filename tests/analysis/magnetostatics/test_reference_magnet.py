"""The reference magnet's field: laws it must obey whatever its size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weighloop.analysis.magnetostatics.reference_magnet import (
    at_temperature,
    axial_field_and_gradient,
    field,
    on_axis,
    volume,
)
from weighloop.analysis.records.bench import ReferenceMagnet
from weighloop.analysis.units import Measured


def magnet(shape, scale=1.0, remanence=1.32):
    lengths = {
        "cylinder": {"diameter": 20e-3},
        "block": {"length": 20e-3, "width": 14e-3},
        "ring": {"outer_diameter": 20e-3, "inner_diameter": 6e-3},
    }[shape]
    sizes = {name: Measured(size * scale) for name, size in lengths.items()}
    return ReferenceMagnet(shape, Measured(10e-3 * scale), Measured(remanence), **sizes)


SHAPES = st.sampled_from(["cylinder", "block", "ring"])
ACROSS = st.floats(-15e-3, 15e-3)
ABOVE = st.floats(0.2e-3, 60e-3)


@settings(deadline=None)
@given(SHAPES, ACROSS, ACROSS, ABOVE, st.floats(0.1, 10))
def test_field_keeps_its_value_when_all_lengths_scale(shape, x, y, z, scale):
    # Magnetostatics has no length of its own: B(s r) of a magnet s times as large is B(r).
    point = np.array([x, y, z])
    B, slope = axial_field_and_gradient(magnet(shape), point)
    B_s, slope_s = axial_field_and_gradient(magnet(shape, scale), scale * point)
    assert B_s == pytest.approx(B, rel=1e-8, abs=1e-10)
    assert slope_s * scale == pytest.approx(slope, rel=1e-7, abs=1e-6)


@settings(deadline=None)
@given(SHAPES, ACROSS, ACROSS, ABOVE)
def test_turned_half_round_and_mirrored(shape, x, y, z):
    body = magnet(shape)
    B = field(body, [(x, y, z), (-x, -y, z), (-x, y, z)])
    np.testing.assert_allclose(B[1], B[0] * [-1, -1, 1], atol=1e-12)
    np.testing.assert_allclose(B[2], B[0] * [-1, 1, 1], atol=1e-12)


@settings(deadline=None)
@given(SHAPES, ACROSS, ACROSS, ABOVE, st.floats(-2, 2))
def test_field_is_proportional_to_remanence(shape, x, y, z, factor):
    point = np.array([x, y, z])
    one = np.array(axial_field_and_gradient(magnet(shape), point))
    other = np.array(axial_field_and_gradient(magnet(shape, remanence=1.32 * factor), point))
    np.testing.assert_allclose(other, factor * one, atol=1e-10)


@pytest.mark.parametrize("shape", ["cylinder", "block", "ring"])
def test_no_sources_and_no_currents_outside(shape):
    # div B = 0 and curl B = 0 in air (Maxwell), by central differences of the vector field.
    body = magnet(shape)
    h = 20e-6
    at = np.array([[4e-3, 3e-3, 4e-3], [11e-3, -2e-3, 5e-3], [1e-3, 8e-3, 9e-3]])
    # slope[i, :, j]: d B_j / d x_i at each point.
    slope = np.array([(field(body, at + h * e) - field(body, at - h * e)) / (2 * h) for e in np.eye(3)])
    scale = np.abs(slope).max()
    assert np.abs(np.einsum("iki->k", slope)).max() < 1e-4 * scale
    assert np.abs(slope - slope.transpose(2, 1, 0)).max() < 1e-4 * scale
    np.testing.assert_allclose(slope[2, :, 2], axial_field_and_gradient(body, at)[1], rtol=1e-3)


def test_block_far_away_is_a_dipole():
    # 2 mu0 m/(4 pi z^3) on the axis (Jackson, Classical Electrodynamics, 5.6): J V/(2 pi z^3).
    body = magnet("block")
    z = 3.0
    B = on_axis(body, z - 5e-3)[0]
    assert pytest.approx(1.32 * volume(body) / (2 * np.pi * z**3), rel=1e-4) == B


def test_volume():
    assert volume(magnet("cylinder")) == pytest.approx(np.pi * 1e-4 * 1e-2)
    assert volume(magnet("ring")) == pytest.approx(np.pi * (1e-4 - 9e-6) * 1e-2)
    assert volume(magnet("block")) == pytest.approx(20e-3 * 14e-3 * 10e-3)


def test_temperature_coefficient():
    # A published worked example (sintered NdFeB, 20 to 150 degrees Celsius): Br falls from 13.82 to 11.69 kG,
    # coefficient -0.11856 %/K.
    body = replace(
        magnet("cylinder"), remanence=Measured(1.382), temperature_coefficient=Measured(-0.0011856)
    )
    assert at_temperature(body, 423.15).remanence.value == pytest.approx(1.169, abs=2e-4)
    assert at_temperature(body, 293.15) == body


def test_temperature_widens_the_uncertainty():
    body = replace(
        magnet("cylinder"),
        remanence=Measured(1.3, 0.003),
        temperature_coefficient=Measured(-0.001, 0.0002),
    )
    # By hand: 30 K away, 1.3 x 0.0002 x 30 = 0.0078 beside 0.003 x 0.97.
    warm = at_temperature(body, 323.15).remanence
    assert warm.value == pytest.approx(1.3 * 0.97)
    assert warm.u == pytest.approx(np.hypot(0.0078, 0.00291))


@pytest.mark.parametrize("shape", ["cylinder", "block", "ring"])
def test_shapes_of_arrays(shape):
    body = magnet(shape)
    points = np.random.default_rng(3).uniform(1e-3, 8e-3, (4, 5, 3))
    B, slope = axial_field_and_gradient(body, points)
    assert B.shape == slope.shape == (4, 5)
    np.testing.assert_allclose(field(body, points.reshape(-1, 3))[:, 2], B.ravel(), rtol=1e-8)


def test_a_size_missing_is_named():
    with pytest.raises(ValueError, match="inner diameter"):
        on_axis(replace(magnet("ring"), inner_diameter=None), 1e-3)
