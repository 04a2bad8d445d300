"""The reference magnet's field: laws it must obey whatever its size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weighloop.analysis.magnetostatics.reference_magnet import (
    at_temperature,
    axial_field_and_gradient,
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


def uneven(shape, excess=0.04):
    return replace(magnet(shape), core_excess=Measured(excess))


SHAPES = st.sampled_from(["cylinder", "block", "ring"])
ACROSS = st.floats(-15e-3, 15e-3)
ABOVE = st.floats(0.2e-3, 60e-3)


@given(SHAPES, ACROSS, ACROSS, ABOVE, st.floats(0.1, 10))
def test_field_keeps_its_value_when_all_lengths_scale(shape, x, y, z, scale):
    # Magnetostatics has no length of its own: B(s r) of a magnet s times as large is B(r).
    point = np.array([x, y, z])
    B, slope = axial_field_and_gradient(magnet(shape), point)
    B_s, slope_s = axial_field_and_gradient(magnet(shape, scale), scale * point)
    assert B_s == pytest.approx(B, rel=1e-8, abs=1e-10)
    assert slope_s * scale == pytest.approx(slope, rel=1e-7, abs=1e-6)


@given(SHAPES, ACROSS, ACROSS, ABOVE)
def test_turned_half_round_and_mirrored(shape, x, y, z):
    body = magnet(shape)
    B, slope = axial_field_and_gradient(body, [(x, y, z), (-x, -y, z), (-x, y, z)])
    np.testing.assert_allclose(B, B[0], atol=1e-12)
    np.testing.assert_allclose(slope, slope[0], atol=1e-9)


@given(SHAPES, ACROSS, ACROSS, ABOVE, st.floats(-2, 2))
def test_field_is_proportional_to_remanence(shape, x, y, z, factor):
    point = np.array([x, y, z])
    one = np.array(axial_field_and_gradient(magnet(shape), point))
    other = np.array(axial_field_and_gradient(magnet(shape, remanence=1.32 * factor), point))
    np.testing.assert_allclose(other, factor * one, atol=1e-10)


@pytest.mark.parametrize("shape", ["cylinder", "block", "ring"])
def test_no_sources_and_no_currents_outside(shape):
    # Each component of B obeys Laplace's equation in air (Maxwell), by differences of five points.
    body = magnet(shape)
    h = 0.2e-3
    at = np.array([[4e-3, 3e-3, 4e-3], [11e-3, -2e-3, 5e-3], [1e-3, 8e-3, 9e-3]])

    def field(points):
        return axial_field_and_gradient(body, points)[0]

    weights = {-2: -1, -1: 16, 0: -30, 1: 16, 2: -1}
    bend = np.array([sum(w * field(at + k * h * e) for k, w in weights.items()) for e in np.eye(3)])
    assert np.abs(bend.sum(axis=0)).max() < 1e-4 * np.abs(bend).max()
    up = np.array([0.0, 0.0, 20e-6])
    slope = (field(at + up) - field(at - up)) / (2 * up[2])
    np.testing.assert_allclose(slope, axial_field_and_gradient(body, at)[1], rtol=1e-3)


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
    np.testing.assert_allclose(
        axial_field_and_gradient(body, points.reshape(-1, 3))[0], B.ravel(), rtol=1e-12
    )


def test_a_size_missing_is_named():
    with pytest.raises(ValueError, match="inner diameter"):
        on_axis(replace(magnet("ring"), inner_diameter=None), 1e-3)


@pytest.mark.parametrize("shape", ["cylinder", "block", "ring"])
def test_a_stronger_core_is_two_bodies_in_one(shape):
    """Against the field library's bodies: the whole, and the core's excess, of the even magnet's moment."""
    import magpylib as magpy

    body = uneven(shape)
    at = np.array([[0, 0, 1e-3], [3e-3, 1e-3, 2e-3], [7e-3, -2e-3, 5e-3], [0, 9e-3, 20e-3]])
    Br, part = 1.32, 0.6
    hole = 3e-3 if shape == "ring" else 0.0
    core = hole + part * (10e-3 - hole)
    share = part**2 if shape == "block" else (core**2 - hole**2) / ((10e-3) ** 2 - hole**2)

    def whole(radius, J):
        options = {"polarization": (0, 0, J), "position": (0, 0, -5e-3)}
        if shape == "block":
            k = radius / 10e-3
            return magpy.magnet.Cuboid(dimension=(20e-3 * k, 14e-3 * k, 10e-3), **options).getB(at)
        if shape == "ring":
            size = (hole, radius, 10e-3, 0, 360)
            return magpy.magnet.CylinderSegment(dimension=size, **options).getB(at)
        return magpy.magnet.Cylinder(dimension=(2 * radius, 10e-3), **options).getB(at)

    expected = whole(10e-3, Br * (1 - 0.04 * share)) + whole(core, Br * 0.04)
    np.testing.assert_allclose(axial_field_and_gradient(body, at)[0], expected[:, 2], rtol=1e-7)
    assert on_axis(body, [1e-3])[0][0] == pytest.approx(expected[0, 2], rel=1e-7)
    h = 1e-6
    rise = [axial_field_and_gradient(body, at + np.array([0, 0, d]))[0] for d in (h, -h)]
    np.testing.assert_allclose(
        axial_field_and_gradient(body, at)[1], (rise[0] - rise[1]) / (2 * h), rtol=1e-5
    )
    # Far away only the moment counts, which is the even magnet's.
    far = np.array([[0, 0, 1.0]])
    even = axial_field_and_gradient(magnet(shape), far)[0]
    np.testing.assert_allclose(axial_field_and_gradient(body, far)[0], even, rtol=1e-4, atol=1e-12)
