"""Gravity and buoyancy against published constants and tables."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest

from weighloop.analysis.forces.force import force_per_kg, local_gravity
from weighloop.analysis.records.bench import Site
from weighloop.analysis.units import Measured

# WGS84 normal gravity from its defining constants (GM 3.986004418e14, 1/f 298.257223563); equator and pole
# as published (NGA.STND.0036), the last digit of the pole rounded.
SEA_LEVEL = {
    0: 9.780325335904,
    30: 9.793247269219,
    45: 9.806197769377,
    52: 9.812474077905,
    60: 9.819176953119,
    90: 9.832184937863,
}
# At 1000 m by the second-order height formula (Heiskanen & Moritz, Physical Geodesy).
AT_1000_M = {0: 9.77723836652, 45: 9.80311294356, 90: 9.82910227404}


@pytest.mark.parametrize(("latitude", "g"), SEA_LEVEL.items())
def test_normal_gravity(latitude, g):
    assert local_gravity(radians(latitude)) == pytest.approx(g, abs=2e-11)
    assert local_gravity(radians(-latitude)) == local_gravity(radians(latitude))


@pytest.mark.parametrize(("latitude", "g"), AT_1000_M.items())
def test_gravity_at_height(latitude, g):
    assert local_gravity(radians(latitude), 1000.0) == pytest.approx(g, abs=2e-11)


def test_gravity_near_the_geodetic_reference_system_1980():
    # GRS80 at 45 degrees, 9.806199202523 m/s^2 from its own constants: the two systems differ by 1.5e-6.
    assert local_gravity(radians(45)) == pytest.approx(9.806199202523, abs=2e-6)


def test_free_air_slope():
    # The rounded gradient of the handbooks, 3.086e-6 /s^2.
    fall = (local_gravity(radians(45)) - local_gravity(radians(45), 100.0)) / 100.0
    assert fall == pytest.approx(3.086e-6, abs=1e-9)


def test_force_of_a_gram():
    # Where g is the standard 9.80665: 9.8051790025e-3 N per gram, with 1 - 1.2/8000 = 0.99985 (OIML D 28).
    site = Site(latitude=Measured(radians(45)), altitude=Measured(0.0))
    assert force_per_kg(site) / local_gravity(radians(45)) == pytest.approx(0.99985, abs=1e-15)
    assert force_per_kg(site) * 1e-3 == pytest.approx(9.8051790025e-3 * 9.806197769377 / 9.80665, rel=1e-11)
    higher = replace(site, altitude=Measured(500.0))
    assert force_per_kg(higher) < force_per_kg(site)
