"""From reading to force: signs and sizes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weighloop.analysis.forces.force import force, local_gravity, reading_change
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample, Site
from weighloop.analysis.units import Measured


def bench(attraction="lighter", latitude=0.93, altitude=60.0):
    return Bench(
        ReferenceMagnet("cylinder", Measured(10e-3), Measured(1.32), diameter=Measured(20e-3)),
        Sample("WP-07-3", "cylinder", Measured(3e-3), diameter=Measured(6e-3)),
        Gap(Measured(1e-3)),
        Balance(1e-6, 0.22, attraction=attraction),
        Site(Measured(latitude), Measured(altitude)),
    )


def test_attraction_makes_the_reading_lighter_or_heavier():
    # A magnet drawn up off the pan weighs less; one pulled down weighs more (Newton's third law).
    assert force(-1e-3, bench("lighter")) > 0
    assert force(+1e-3, bench("heavier")) > 0
    assert force(-1e-3, bench("lighter")) == -force(-1e-3, bench("heavier"))


def test_a_gram_at_london_and_quito():
    # Normal gravity at 53.4 degrees and at the equator from the defining constants (WGS84), 0.3 % apart.
    assert force(-1e-3, bench(latitude=0.0, altitude=0.0)) == pytest.approx(
        9.780325335904e-3 * 0.99985, rel=1e-9
    )
    ratio = force(-1e-3, bench()) / force(-1e-3, bench(latitude=0.0, altitude=2850.0))
    assert 1.004 < ratio < 1.005


@given(
    st.floats(-0.2, 0.2),
    st.sampled_from(["lighter", "heavier"]),
    st.floats(-1.5, 1.5),
    st.floats(-100, 4000),
)
def test_there_and_back(change, attraction, latitude, altitude):
    place = bench(attraction, latitude, altitude)
    assert reading_change(force(change, place), place) == pytest.approx(change, abs=1e-15)


def test_arrays_keep_their_shape():
    readings = np.array([[1e-3, 2e-3], [0.0, -1e-3]])
    found = force(readings, bench())
    assert found.shape == (2, 2)
    assert found[0, 1] == pytest.approx(2 * found[0, 0])


@given(st.floats(0, 1.57), st.floats(0, 1.57))
def test_gravity_grows_toward_the_poles_and_falls_with_height(one, other):
    low, high = sorted((one, other))
    assert local_gravity(low) <= local_gravity(high)
    assert local_gravity(one, 500.0) < local_gravity(one)
