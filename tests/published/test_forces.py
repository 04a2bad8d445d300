"""Forces between coaxial cylinders against values by four routes, a Bessel integral and a field library.

The values were computed by the Bessel integral of Vokoun, Beleggia, Heller & Sittner (J. Magn. Magn. Mater.
321 (2009) 3758), by current sheets, by charged discs and by the flux through the end faces: agreement 1e-9.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j1

from weighloop.analysis.constants import MU0
from weighloop.analysis.magnetostatics.magnet_pair import force_between
from weighloop.analysis.magnetostatics.quadrature import mean_field, volume
from weighloop.analysis.magnetostatics.reference_magnet import on_axis
from weighloop.analysis.records.bench import ReferenceMagnet, Sample
from weighloop.analysis.units import Measured


def disc(diameter, height, J):
    return ReferenceMagnet("cylinder", Measured(height), Measured(J), diameter=Measured(diameter))


LIKE = disc(10e-3, 10e-3, 1.32)
REFERENCE = disc(20e-3, 10e-3, 1.32)
SMALL = disc(3e-3, 3e-3, 0.385)
WIDE = disc(6e-3, 3e-3, 0.385)

GAPS = np.array([1, 2, 5, 10, 20, 30, 50, 100, 500]) * 1e-3
FORCES = {
    "two like magnets": (LIKE, LIKE, [
        28.3984287147, 20.0505315393, 8.44648085875, 2.6976800501, 0.522924730913,
        0.163230606686, 0.0318582547551, 0.0027987314462, 6.03737241322e-6]),
    "pellet 3 x 3": (REFERENCE, SMALL, [
        0.286007739347, 0.269528889333, 0.19318566341, 0.0892069842922, 0.0203229087556,
        0.0063738464566, 0.0011977353235, 9.85436392893e-5, 1.95331760941e-7]),
    "pellet 6 x 3": (REFERENCE, WIDE, [
        1.17897258407, 1.10005221647, 0.768095928962, 0.348859407309, 0.0798845977942,
        0.0252201018947, 0.00476715001094, 3.93597956803e-4, 7.81275687039e-7]),
}  # fmt: skip


@pytest.mark.parametrize("case", FORCES)
def test_force_between_cylinders(case):
    magnet, other, known = FORCES[case]
    np.testing.assert_allclose(force_between(magnet, other, GAPS), known, rtol=1e-9)
    # Newton's third law: the other way round it is another integral.
    np.testing.assert_allclose(force_between(other, magnet, GAPS), known, rtol=1e-8)


@pytest.mark.parametrize(("sample_size", "J"), [((3e-3, 3e-3), 0.385), ((6e-3, 3e-3), 0.385)])
def test_force_from_the_mean_gradient(sample_size, J):
    # The same forces through the averages every measurement uses: F = -M V <dBz/dz>.
    sample = Sample("WP-07-1", "cylinder", Measured(sample_size[1]), diameter=Measured(sample_size[0]))
    known = FORCES["pellet 3 x 3" if sample_size[0] == 3e-3 else "pellet 6 x 3"][2]
    force = -J / MU0 * volume(sample) * mean_field(REFERENCE, sample, GAPS)[1]
    np.testing.assert_allclose(force, known, rtol=1e-6)


@pytest.mark.parametrize("gap", [0.3e-3, 3e-3])
def test_force_by_the_bessel_integral(gap):
    # Vokoun et al. (2009), J_1 the Bessel function:
    # F = pi J J' R R'/mu0 int J_1(R q) J_1(R' q) e^(-q d) (1 - e^(-q L)) (1 - e^(-q L')) / q dq.
    one, two = disc(12e-3, 4e-3, 1.2), disc(8e-3, 5e-3, 0.39)

    def integrand(q):
        sheets = np.expm1(-q * 4e-3) * np.expm1(-q * 5e-3)
        return j1(6e-3 * q) * j1(4e-3 * q) * np.exp(-q * gap) * sheets / q

    integral = quad(integrand, 1e-9, 40 / gap, limit=2000, epsabs=0, epsrel=1e-10)[0]
    expected = np.pi * 1.2 * 0.39 * 6e-3 * 4e-3 / MU0 * integral
    assert force_between(one, two, [gap])[0] == pytest.approx(expected, rel=1e-8)


def test_force_against_the_field_library():
    import magpylib as magpy

    # magpylib getFT: the pellet is cut into small cells, good to a few parts in a thousand.
    source = magpy.magnet.Cylinder(
        polarization=(0, 0, 1.32), dimension=(20e-3, 10e-3), position=(0, 0, -5e-3)
    )
    target = magpy.magnet.Cylinder(polarization=(0, 0, 0.385), dimension=(6e-3, 3e-3))
    for gap in (1e-3, 5e-3):
        target.position = (0, 0, gap + 1.5e-3)
        pull = -magpy.getFT(source, target, meshing=4000)[0][2]
        assert force_between(REFERENCE, WIDE, [gap])[0] == pytest.approx(pull, rel=3e-3)


def test_far_apart_two_dipoles():
    # 3 mu0 m1 m2 / (2 pi z^4) between centres (Jackson, Classical Electrodynamics, 5.7).
    moments = [
        m.remanence.value / MU0 * np.pi * m.diameter.value**2 / 4 * m.height.value for m in (LIKE, SMALL)
    ]
    # Moments known: 0.8250000 and 6.496875e-3 A m^2, at mu0 = 4 pi e-7.
    assert moments == pytest.approx([0.825, 6.496875e-3], rel=1e-9)
    z = 0.5 + 5e-3 + 1.5e-3
    dipoles = 3 * MU0 * moments[0] * moments[1] / (2 * np.pi * z**4)
    assert force_between(LIKE, SMALL, [0.5])[0] == pytest.approx(dipoles, rel=1e-3)


@pytest.mark.parametrize(
    ("pellet", "ratios"),
    [
        (SMALL, [1.003428, 1.002215, 0.999218, 0.997509, 0.998097]),
        (WIDE, [0.973689, 0.982230, 1.005263, 1.020294, 1.015677]),
    ],
)
def test_why_the_centre_value_will_not_do(pellet, ratios):
    # Moment times the gradient at the pellet's centre, over the exact force (computed from the forces above).
    gaps = GAPS[:5]
    moment = pellet.remanence.value / MU0 * np.pi * pellet.diameter.value**2 / 4 * pellet.height.value
    shortcut = -moment * on_axis(REFERENCE, gaps + pellet.height.value / 2)[1]
    np.testing.assert_allclose(shortcut / force_between(REFERENCE, pellet, gaps), ratios, atol=1e-6)


def test_ring_is_outer_less_inner():
    # Superposition: the ring and the plug that fills its bore pull like the full cylinder.
    ring = ReferenceMagnet(
        "ring",
        Measured(10e-3),
        Measured(1.32),
        outer_diameter=Measured(20e-3),
        inner_diameter=Measured(6e-3),
    )
    plug = disc(6e-3, 10e-3, 1.32)
    parts = force_between(ring, WIDE, GAPS) + force_between(plug, WIDE, GAPS)
    np.testing.assert_allclose(parts, force_between(REFERENCE, WIDE, GAPS), rtol=1e-8)
    np.testing.assert_allclose(
        force_between(WIDE, ring, GAPS), force_between(ring, WIDE, GAPS), rtol=1e-7, atol=1e-10
    )
