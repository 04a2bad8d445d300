"""The twin's own magnet and pellet against published and recomputed figures."""

import numpy as np
import pytest

from weighloop.drivers.twin.bench_file import local_gravity
from weighloop.drivers.twin.field import Magnet
from weighloop.drivers.twin.sample import MU0, SampleMaterial, TwinSample, cylinder_demagnetising_factor

CYLINDER = Magnet("cylinder", (20e-3,), 10e-3, 1.32)
RING = Magnet("ring", (20e-3, 6e-3), 10e-3, 1.32)
BLOCK = Magnet("block", (20e-3, 20e-3), 10e-3, 1.32)


def axis(magnet: Magnet, gap: float) -> tuple[float, float]:
    b, slope = magnet.field(np.zeros(1), np.zeros(1), np.array([gap]))
    return float(b[0]), float(slope[0])


# Closed forms on the axis of a uniformly magnetised cylinder, ring and block, evaluated to thirty
# digits (cylinder and ring: two solenoid terms; block: Br/pi times arctangents). Gaps in mm.
ON_AXIS = [
    (CYLINDER, 1, 0.422687993887464, -44.9333614606132),
    (CYLINDER, 2, 0.377589395343067, -44.9126949953877),
    (CYLINDER, 10, 0.123631470476823, -17.4313043185566),
    (CYLINDER, 50, 0.00383674377320756, -0.204581018494233),
    (RING, 1, -0.00534580255832661, 138.89845106517),
    (RING, 5, 0.172754306247276, -7.65870735763406),
    (RING, 20, 0.0317824780078782, -3.31472960294973),
    (BLOCK, 1, 0.403533025899416, -37.4628975496736),
    (BLOCK, 10, 0.135395633759353, -17.3971395477025),
    (BLOCK, 30, 0.0173571478214412, -1.36859947020378),
]


@pytest.mark.parametrize(("magnet", "gap", "b", "slope"), ON_AXIS)
def test_field_on_the_axis(magnet, gap, b, slope):
    assert axis(magnet, gap * 1e-3) == pytest.approx((b, slope), rel=1e-11)


# Off the axis: three independent routes agreeing to 1e-10 (loops with elliptic integrals, surface
# charges by quadrature, Derby & Olbert, Am. J. Phys. 78 (2010) 229).
@pytest.mark.parametrize(
    ("rho", "z", "b"),
    [
        (5, 1, 0.425190371963),
        (5, 5, 0.224334861675),
        (8, 3, 0.23817898644),
        (12, 5, 0.05450903195758),
        (15, 10, 0.02360523547766),
    ],
)
def test_field_off_the_axis_of_a_cylinder(rho, z, b):
    got = CYLINDER.field(np.array([rho * 1e-3]), np.zeros(1), np.array([z * 1e-3]))[0]
    assert got[0] == pytest.approx(b, rel=1e-10)


@pytest.mark.parametrize(
    ("x", "y", "z", "b"),
    [
        (5, 0, 5, 0.2349870599662),
        (5, 5, 2, 0.3515236992302),
        (12, 3, 5, 0.0643948844294),
        (0, 8, 10, 0.09603773388966),
    ],
)
def test_field_off_the_axis_of_a_block(x, y, z, b):
    got = BLOCK.field(*np.array([[x], [y], [z]]) * 1e-3)[0]
    assert got[0] == pytest.approx(b, rel=1e-11)


def test_field_above_the_rim_is_between_its_neighbours():
    # A formula with a step at the rim of the face must not show it in the field.
    z = np.full(3, 2e-3)
    b, slope = CYLINDER.field(np.array([10e-3 - 1e-9, 10e-3, 10e-3 + 1e-9]), np.zeros(3), z)
    assert b[1] == pytest.approx((b[0] + b[2]) / 2, rel=1e-6)
    assert slope[1] == pytest.approx((slope[0] + slope[2]) / 2, rel=1e-6)


@pytest.mark.parametrize("magnet", [CYLINDER, RING, BLOCK])
def test_slope_is_the_field_s_difference(magnet):
    rng = np.random.default_rng(5)
    x, y = rng.uniform(-8e-3, 8e-3, (2, 40))
    z = rng.uniform(1e-3, 20e-3, 40)
    d = 1e-6
    differences = (magnet.field(x, y, z + d)[0] - magnet.field(x, y, z - d)[0]) / (2 * d)
    np.testing.assert_allclose(magnet.field(x, y, z)[1], differences, rtol=1e-5, atol=1e-4)


# Magnetometric factors of cylinders along the axis: 1 - Nagaoka's coefficient; three routes
# agreeing to 1e-11, anchored on Nagaoka's table (1909): K(1) = 0.688423, K(5) = 0.319825.
@pytest.mark.parametrize(
    ("length", "n"),
    [
        (0.1, 0.796676482478),
        (0.2, 0.680174532218),
        (0.5, 0.474489975748),
        (1, 0.311577392680),
        (5, 0.0799073291722),
    ],
)
def test_demagnetising_factor(length, n):
    assert cylinder_demagnetising_factor(1.0, length) == pytest.approx(n, rel=1e-9)


def uniform(
    diameter: float, height: float, polarisation: float, gap: float, offset: float = 0.0
) -> TwinSample:
    """A pellet that is magnetised uniformly whatever the field."""
    pellet = TwinSample(SampleMaterial(3e5, 1e5, 0.1, 5e3, 0.0, 1e5), CYLINDER, diameter, height, offset)
    pellet.follow(gap, 1)
    pellet.M = np.full_like(pellet.M, polarisation / MU0)
    return pellet


# Force between coaxial uniformly magnetised cylinders: Bessel integral after Vokoun, Beleggia,
# Heller & Sittner, JMMM 321 (2009) 3758; four routes agreeing to 1e-9. Gap in mm, force in N.
@pytest.mark.parametrize(
    ("diameter", "height", "gap", "force"),
    [
        (3e-3, 3e-3, 1, 0.286007739347),
        (3e-3, 3e-3, 10, 0.0892069842922),
        (6e-3, 3e-3, 1, 1.17897258407),
        (6e-3, 3e-3, 2, 1.10005221647),
        (6e-3, 3e-3, 5, 0.768095928962),
        (6e-3, 3e-3, 20, 0.0798845977942),
        (6e-3, 3e-3, 50, 0.00476715001094),
    ],
)
def test_force_on_a_uniform_pellet(diameter, height, gap, force):
    assert uniform(diameter, height, 0.385, gap * 1e-3).attraction == pytest.approx(force, rel=1e-6)


def test_points_of_a_pellet_off_the_axis_agree_with_those_on_it():
    # A round magnet: with the offset going to nothing the ring of points must give the same force.
    on, off = uniform(6e-3, 3e-3, 0.385, 2e-3), uniform(6e-3, 3e-3, 0.385, 2e-3, offset=1e-9)
    assert off.attraction == pytest.approx(on.attraction, rel=1e-6)
    # Far off, the field is a dipole's, weaker beside the axis than on it.
    beside, above = uniform(6e-3, 3e-3, 0.385, 30e-3, offset=3e-3), uniform(6e-3, 3e-3, 0.385, 30e-3)
    assert beside.attraction < above.attraction


def test_turning_the_sample_turns_the_force():
    pellet = uniform(6e-3, 3e-3, 0.385, 2e-3)
    attraction = pellet.attraction
    pellet.orientation = -1
    assert pellet.attraction == pytest.approx(-attraction, rel=1e-12)


# WGS 84 normal gravity at sea level and 1000 m up: recomputed from the defining constants; the
# free-air term alone is good to 2e-6 of g over a kilometre.
@pytest.mark.parametrize(
    ("latitude", "altitude", "g", "within"),
    [(0, 0, 9.780325335904, 1e-9), (52, 0, 9.812474077905, 1e-9), (90, 0, 9.832184937863, 1e-9),
     (45, 1000, 9.80311294356, 1e-5)],
)  # fmt: skip
def test_local_gravity(latitude, altitude, g, within):
    assert local_gravity(latitude, altitude) == pytest.approx(g, abs=within)
