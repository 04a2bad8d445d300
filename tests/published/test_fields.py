"""Fields of uniformly magnetised bodies against 30-digit values of the closed forms and a field library.

The on-axis values were computed at 30 digits from the textbook forms (cylinder and ring: Derby & Olbert,
Am. J. Phys. 78 (2010) 229; block: corner arc tangents); those off the axis by three routes agreeing to
1e-10 (stack of current loops, surface charges, Derby & Olbert's complete elliptic integral).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from weighloop.analysis.magnetostatics.reference_magnet import axial_field_and_gradient, on_axis
from weighloop.analysis.records.bench import ReferenceMagnet
from weighloop.analysis.units import Measured

CYLINDER = ReferenceMagnet("cylinder", Measured(10e-3), Measured(1.32), diameter=Measured(20e-3))
RING = ReferenceMagnet(
    "ring",
    Measured(10e-3),
    Measured(1.32),
    outer_diameter=Measured(20e-3),
    inner_diameter=Measured(6e-3),
)
BLOCK = ReferenceMagnet(
    "block", Measured(10e-3), Measured(1.32), length=Measured(20e-3), width=Measured(20e-3)
)

# gap/mm, B/T, dB/dz/(T/m), d2B/dz2/(T/m^2)
ON_CYLINDER_AXIS = [
    (0, 0.466690475583121, -42.6654762208439, -3500.17856687),
    (1, 0.422687993887464, -44.9333614606132, -1068.34220286),
    (2, 0.377589395343067, -44.9126949953877, 1035.25572267),
    (5, 0.253992221233005, -35.9610747768371, 4107.36563338),
    (10, 0.123631470476823, -17.4313043185566, 2791.7922316),
    (20, 0.0358090306533946, -3.81611620488831, 520.547042258),
    (30, 0.0141630733825799, -1.14549435851125, 121.372782623),
    (50, 0.00383674377320756, -0.204581018494233, 14.4548244083),
    (100, 0.000564970730091705, -0.0160438778150994, 0.606529091847),
]
ON_RING_AXIS = [
    (0, -0.165474872662839, 172.114809894556),
    (1, -0.00534580255832661, 138.89845106517),
    (2, 0.103397474755799, 78.6762688951458),
    (5, 0.172754306247276, -7.65870735763406),
    (10, 0.103098825829707, -12.9297178100007),
    (20, 0.0317824780078782, -3.31472960294973),
    (30, 0.0127360743947916, -1.02078844924043),
]
ON_BLOCK_AXIS = [
    (0, 0.44, -35.1624054678102),
    (1, 0.403533025899416, -37.4628975496736),
    (2, 0.365662691387258, -38.0036839371376),
    (5, 0.2582058542416, -32.2757595925122),
    (10, 0.135395633759353, -17.3971395477025),
    (20, 0.0425171160740238, -4.32761714797867),
    (30, 0.0173571478214412, -1.36859947020378),
]
# (rho, z)/mm, B_rho/T, B_z/T
OFF_CYLINDER_AXIS = [
    (5, 1, 0.1327950084194, 0.425190371963),
    (5, 5, 0.09059588322242, 0.224334861675),
    (2, 2, 0.0458559030146, 0.3764174636246),
    (8, 3, 0.2018738346596, 0.23817898644),
    (12, 5, 0.1276833150254, 0.05450903195758),
    (15, 10, 0.04905317659055, 0.02360523547766),
    (1, 10, 0.008689419254953, 0.1229339255086),
]
# (x, y, z)/mm, (Bx, By, Bz)/T
OFF_BLOCK_AXIS = [
    ((5, 0, 5), (0.08588155450643, 0, 0.2349870599662)),
    ((5, 5, 2), (0.1041666720229, 0.1041666720229, 0.3515236992302)),
    ((12, 3, 5), (0.1412154712271, 0.02340122167954, 0.0643948844294)),
    ((0, 8, 10), (0, 0.05962904164844, 0.09603773388966)),
]


@pytest.mark.parametrize(("gap", "B", "slope", "bend"), ON_CYLINDER_AXIS)
def test_cylinder_on_axis(gap, B, slope, bend):
    found = on_axis(CYLINDER, gap * 1e-3)
    np.testing.assert_allclose(found[:2], [B, slope], rtol=2e-12)
    # Printed to 12 digits, and the two faces' contributions partly cancel.
    np.testing.assert_allclose(found[2], bend, rtol=1e-10)


@pytest.mark.parametrize(
    ("magnet", "gap", "B", "slope"),
    [(RING, *row) for row in ON_RING_AXIS] + [(BLOCK, *row) for row in ON_BLOCK_AXIS],
)
def test_ring_and_block_on_axis(magnet, gap, B, slope):
    np.testing.assert_allclose(on_axis(magnet, gap * 1e-3)[:2], [B, slope], rtol=1e-12)


def test_general_formulas_agree_with_the_axis_forms():
    # The same 30-digit values, through the off-axis expressions.
    for magnet, rows in ((CYLINDER, ON_CYLINDER_AXIS), (RING, ON_RING_AXIS), (BLOCK, ON_BLOCK_AXIS)):
        points = np.array([(0, 0, row[0] * 1e-3) for row in rows if row[0] > 0])
        Bz, dBz = axial_field_and_gradient(magnet, points)
        known = np.array([row[1:3] for row in rows if row[0] > 0])
        np.testing.assert_allclose(Bz, known[:, 0], rtol=1e-12)
        np.testing.assert_allclose(dBz, known[:, 1], rtol=1e-11)


def test_cylinder_off_axis():
    rho, z, _, B_z = np.array(OFF_CYLINDER_AXIS).T
    angle = np.linspace(0.3, 5.0, len(rho))
    points = np.stack([rho * np.cos(angle), rho * np.sin(angle), z], axis=1) * 1e-3
    np.testing.assert_allclose(axial_field_and_gradient(CYLINDER, points)[0], B_z, rtol=1e-12)


def test_block_off_axis():
    points = np.array([at for at, _ in OFF_BLOCK_AXIS]) * 1e-3
    known = np.array([B for _, B in OFF_BLOCK_AXIS])
    np.testing.assert_allclose(axial_field_and_gradient(BLOCK, points)[0], known[:, 2], rtol=1e-9)


def test_gradient_is_strongest_off_the_face():
    # Root of d2B/dz2 at 30 digits: the gradient, so the force, does not fall steadily with the gap.
    peak = minimize_scalar(lambda z: on_axis(CYLINDER, z)[1], bounds=(0, 4e-3), options={"xatol": 1e-12})
    assert peak.x == pytest.approx(1.481407923e-3, abs=2e-9)
    assert -peak.fun == pytest.approx(45.18685119, rel=1e-9)


def test_ring_field_changes_sign_close_to_the_face():
    # 30-digit values above: against the polarisation up to 1 mm, along it from 2 mm.
    z = np.linspace(0, 2e-3, 2001)
    B = on_axis(RING, z)[0]
    assert np.count_nonzero(np.diff(np.sign(B))) == 1
    assert B[1000] < 0 < B[2000]


@pytest.mark.parametrize("magnet", [CYLINDER, RING, BLOCK], ids=lambda m: m.shape)
def test_off_axis_field_and_gradient_against_the_field_library(magnet):
    import magpylib as magpy

    # magpylib's own magnet objects; the gradient by Richardson-extrapolated differences of its field.
    if magnet.shape == "block":
        body = magpy.magnet.Cuboid(polarization=(0, 0, 1.32), dimension=(0.02, 0.02, 0.01))
        parts = [(1, body)]
    else:
        outer = magpy.magnet.Cylinder(polarization=(0, 0, 1.32), dimension=(0.02, 0.01))
        bore = magpy.magnet.Cylinder(polarization=(0, 0, 1.32), dimension=(0.006, 0.01))
        parts = [(1, outer)] if magnet.shape == "cylinder" else [(1, outer), (-1, bore)]
    rng = np.random.default_rng(7)
    points = np.stack([*rng.uniform(-12e-3, 12e-3, (2, 60)), rng.uniform(2e-3, 30e-3, 60)], axis=1)

    def library(dz):
        at = points + np.array([0, 0, 5e-3 + dz])
        return sum(sign * part.getB(at) for sign, part in parts)

    Bz = axial_field_and_gradient(magnet, points)[0]
    np.testing.assert_allclose(Bz, library(0)[:, 2], rtol=1e-9, atol=1e-11)
    h = 50e-6
    coarse, fine = ((library(d) - library(-d))[:, 2] / (2 * d) for d in (h, h / 2))
    np.testing.assert_allclose(
        axial_field_and_gradient(magnet, points)[1], (4 * fine - coarse) / 3, rtol=1e-5, atol=1e-5
    )
