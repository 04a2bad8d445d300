"""Recoil permeability: the image's pull and the polarisation a free magnet keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.models.recoil import image_pull, own_factor, working_polarisation
from weighloop.analysis.constants import MU0
from weighloop.analysis.magnetostatics.demagnetising_factor import cylinder, prism
from weighloop.analysis.magnetostatics.magnet_pair import force_between
from weighloop.analysis.records.bench import ReferenceMagnet, Sample
from weighloop.analysis.units import Measured

m = Measured
REFERENCE = ReferenceMagnet("cylinder", m(10e-3), m(1.32), diameter=m(20e-3))
DISC = Sample("WP-07-1", "cylinder", m(3e-3), diameter=m(6e-3))
M = 0.385 / MU0
GAPS = np.array([0.5e-3, 1e-3, 2e-3, 5e-3])


def test_over_a_large_magnet_it_is_the_mirror_image():
    # Method of images for a plane of permeability mu: image (mu - 1)/(mu + 1) as strong, as far behind the
    # face (Jackson, Classical Electrodynamics, problem 5.17; from memory).
    large = ReferenceMagnet("cylinder", m(80e-3), m(1.32), diameter=m(160e-3), recoil_permeability=m(1.001))
    image = ReferenceMagnet("cylinder", m(3e-3), m(0.385), diameter=m(6e-3))
    expected = force_between(image, image, 2 * GAPS) * 0.001 / 2.001
    np.testing.assert_allclose(image_pull(large, DISC, GAPS, np.full(4, M)), expected, rtol=2e-3)


def test_a_small_sphere_is_a_dipole_and_its_image():
    # 3 mu0 m m'/(2 pi (2 z)^4), z from the sphere's centre to the face (Jackson).
    large = ReferenceMagnet("cylinder", m(80e-3), m(1.32), diameter=m(160e-3), recoil_permeability=m(1.01))
    sphere = Sample("WP-07-2", "sphere", m(2e-3), diameter=m(2e-3))
    moment = M * np.pi / 6 * 8e-9
    expected = 3 * MU0 * moment**2 / (2 * np.pi * (2 * (3e-3 + 1e-3)) ** 4) * 0.01 / 2.01
    # First order in chi: 1.01 leaves 0.5 %.
    assert image_pull(large, sphere, [3e-3], [M])[0] == pytest.approx(expected, rel=7e-3)


def test_it_always_attracts_and_goes_with_the_square_of_M():
    pull = image_pull(REFERENCE, DISC, GAPS, [M, M / 2, -M, 0.0])
    full = image_pull(REFERENCE, DISC, GAPS, np.full(4, M))
    np.testing.assert_allclose(pull / full, [1, 0.25, 1, 0], atol=1e-12)
    assert np.all(full > 0)
    assert np.all(np.diff(full) < 0)


def test_it_is_a_second_order_effect():
    # Under a hundredth of the pull itself at 0.5 mm, and fading faster.
    direct = force_between(REFERENCE, ReferenceMagnet("cylinder", m(3e-3), m(0.385), diameter=m(6e-3)), GAPS)
    share = image_pull(REFERENCE, DISC, GAPS, np.full(4, M)) / direct
    assert np.all(share < 0.01)
    assert np.all(np.diff(share) < 0)


def test_block_and_cylinder_of_equal_area_agree_roughly():
    # Shapes of equal area and height over the same magnet: within 5 %, common practice, no source.
    side = np.sqrt(np.pi) * 3e-3
    square = Sample("WP-07-3", "block", m(3e-3), length=m(side), width=m(side))
    one, other = (image_pull(REFERENCE, s, [1e-3], [M])[0] for s in (DISC, square))
    assert one == pytest.approx(other, rel=0.05)


def test_own_factor_is_the_demagnetising_factor():
    # Mean field inside from the field of the magnet; closed forms of Joseph (1966) and Aharoni (1998).
    assert own_factor(REFERENCE) == pytest.approx(cylinder(0.5), abs=1e-5)
    block = ReferenceMagnet("block", m(10e-3), m(1.3), length=m(20e-3), width=m(12e-3))
    assert own_factor(block) == pytest.approx(prism(20, 12, 10), abs=1e-12)
    ring = ReferenceMagnet("ring", m(10e-3), m(1.3), outer_diameter=m(20e-3), inner_diameter=m(6e-3))
    # A bore lowers the factor; a vanishing one does not.
    assert own_factor(ring) < cylinder(0.5)
    assert own_factor(replace(ring, inner_diameter=m(0.02e-3))) == pytest.approx(cylinder(0.5), abs=1e-4)


def test_working_polarisation():
    # J = Br + chi mu0 H with H = -N J/mu0, by hand: 1.32/(1 + 0.05 x 0.4745).
    assert working_polarisation(REFERENCE) == pytest.approx(1.32 / (1 + 0.05 * 0.474489975748), rel=1e-6)
