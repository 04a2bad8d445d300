"""The third forward model (cells that all feel one another) against outside values: factors, fields, forces,
single grains.

Sources stand beside each check. What is called recomputed was computed by two or more independent routes
outside this project.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from tests.support.models.cells.bodies import block, cylinder, sphere
from tests.support.models.cells.magnets import SheetMagnet
from tests.support.models.cells.materials import (
    KINDS,
    JilesAtherton,
    Preisach,
    Rotating,
    Scaled,
    gauss,
    lognormal,
)
from tests.support.models.cells.sample import Sample
from tests.support.models.cells.truth import MU0, open_at, uniform

ON_AXIS = np.zeros(3)


# Magnetometric factors at susceptibility 0: R. I. Joseph, J. Appl. Phys. 37 (1966) 4639, recomputed to
# 1e-11; the second anchors to
# H. Nagaoka's table (1909), K(1) = 0.688423.
@pytest.mark.parametrize(
    ("tall", "factor"), [(0.1, 0.796676482478), (1.0, 0.311577392680), (5.0, 0.0799073291722)]
)
def test_rings_add_up_to_the_cylinders_factor(tall: float, factor: float) -> None:
    body = cylinder(1e-3, tall * 1e-3, rings=4, layers=6)
    assert body.factor == pytest.approx(factor, abs=1e-7)
    energy = body.tensor * body.volume[:, None]
    assert np.allclose(energy, energy.T, rtol=0, atol=1e-9 * energy.max())


def test_sectors_of_a_disc_add_up_to_the_same_factor() -> None:
    assert cylinder(1e-3, 5e-4, 4, 4, sectors=3, fold=2).factor == pytest.approx(0.474489975748, abs=1e-7)


# A. Aharoni, J. Appl. Phys. 83 (1998) 3432, equation 1, recomputed to 1e-9.
@pytest.mark.parametrize("whole", [False, True])
def test_boxes_add_up_to_the_blocks_factor(whole: bool) -> None:
    assert block(3e-3, 2e-3, 1e-3, 4, 3, whole).factor == pytest.approx(0.538790305924, abs=1e-9)


def test_a_sphere_is_a_third_and_has_its_volume() -> None:
    body = sphere(3e-3, 4, 8)
    assert body.factor == pytest.approx(1 / 3, abs=1e-12)
    assert body.total == pytest.approx(np.pi / 6 * 27e-9)


# Closed forms on the axis and the surface charges off it (N. Derby and S. Olbert, Am. J. Phys. 78 (2010)
# 229), recomputed to 1e-10.
@pytest.mark.parametrize(
    ("magnet", "field", "gradient"),
    [
        (
            SheetMagnet("cylinder", 20e-3, 20e-3, 10e-3, 1.32),
            [0.422687993887464, 0.253992221233005, 0.123631470476823],
            [-44.9333614606132, -35.9610747768371, -17.4313043185566],
        ),
        (
            SheetMagnet("ring", 20e-3, 20e-3, 10e-3, 1.32, hole=6e-3),
            [-0.00534580255832661, 0.172754306247276, 0.103098825829707],
            [138.89845106517, -7.65870735763406, -12.9297178100007],
        ),
        (
            SheetMagnet("block", 20e-3, 20e-3, 10e-3, 1.32),
            [0.403533025899416, 0.2582058542416, 0.135395633759353],
            [-37.4628975496736, -32.2757595925122, -17.3971395477025],
        ),
    ],
)
def test_fields_on_the_axis(magnet: SheetMagnet, field: list[float], gradient: list[float]) -> None:
    z = np.array([1e-3, 5e-3, 10e-3])
    assert magnet.field(ON_AXIS, ON_AXIS, z) == pytest.approx(field, rel=1e-7)
    assert magnet.gradient(ON_AXIS, ON_AXIS, z) == pytest.approx(gradient, rel=1e-9)


def test_fields_off_the_axis() -> None:
    x, y, z = np.array([8e-3, 12e-3]), np.zeros(2), np.array([3e-3, 5e-3])
    round_one = SheetMagnet("cylinder", 20e-3, 20e-3, 10e-3, 1.32)
    assert round_one.field(x, y, z) == pytest.approx([0.23817898644, 0.05450903195758], rel=1e-7)
    square = SheetMagnet("block", 20e-3, 20e-3, 10e-3, 1.32)
    there = (np.array([12e-3]), np.array([3e-3]), np.array([5e-3]))
    assert square.field(*there) == pytest.approx([0.0643948844294], rel=1e-7)


# D. Vokoun et al., J. Magn. Magn. Mater. 321 (2009) 3758, recomputed by four routes to 1e-9.
@pytest.mark.parametrize(
    ("gap", "force"), [(1e-3, 1.17897258407), (5e-3, 0.768095928962), (20e-3, 0.0798845977942)]
)
def test_force_on_a_uniform_disc(gap: float, force: float) -> None:
    magnet, body = SheetMagnet("cylinder", 20e-3, 20e-3, 10e-3, 1.32), cylinder(6e-3, 3e-3, 6, 8)
    x, y, z = (body.points[..., k] for k in range(3))
    pull = -0.385 / MU0 * body.volume @ magnet.gradient(x, y, z + gap).mean(axis=1)
    assert pull == pytest.approx(force, rel=3e-5)


# Stoner and Wohlfarth's isotropic grains: Mr/Ms = 1/2 exactly, Hc = 0.482212 of the anisotropy field
# (recomputed by three routes; the
# paper's own 0.479 was a hand calculation).
def test_grains_that_rotate() -> None:
    grains = Rotating(0.0, 0.004, angles=40, count=8)
    state, _ = grains.respond(grains.start(1), np.array([8.0]))
    assert grains.respond(state, np.zeros(1))[1][0] == pytest.approx(0.5, abs=2e-3)
    low, high = 0.3, 0.7
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if grains.respond(state, np.array([-middle]))[1][0] > 0 else (low, middle)
    assert low == pytest.approx(0.482212, abs=4e-3)


# Madelung's rules, which every Preisach medium keeps (I. D. Mayergoyz, Phys. Rev. Lett. 56 (1986) 1518): a
# small cycle is wiped out by a larger one.
# Hysterons whose half widths are normal: those wider than the field are still up on one branch and down on
# the other, a normal distribution's tail (scipy).
@pytest.mark.parametrize("top", [1.2, 1.4])
def test_a_major_loop_is_open_by_what_the_field_does_not_turn_over(top: float) -> None:
    material = Scaled(Preisach(gauss(0.2, 4000), 1e-3), np.ones(2), 1e5)
    found = open_at(cylinder(3e-3, 3e-3, rings=1, layers=2), material, top * 1e5)
    left = float(ndtr((1.0 - top) / 0.2))
    assert found == pytest.approx(2 * left, abs=1e-3)


def test_hysterons_wipe_out_and_come_back() -> None:
    medium = Preisach(lognormal(0.3), 0.2)

    def after(fields: list[float]) -> float:
        state = medium.start(1)
        m = np.zeros(1)
        for h in fields:
            state, m = medium.respond(state, np.array([h]))
        return float(m[0])

    assert after([3.0, -0.8, 0.5, -0.8]) == pytest.approx(after([3.0, -0.8]), abs=1e-12)
    assert after([3.0, -0.8, 0.5, -1.2]) == pytest.approx(after([3.0, -1.2]), abs=1e-12)


# With c = alpha = 0 the descending branch of the model is an elementary linear equation: k dM/dH = Man - M
# where M falls.
def test_jiles_atherton_without_coupling() -> None:
    model = JilesAtherton(pinning=0.5, shape=1e-9, coupling=0.0, reversible=0.0, steps=200)
    state, _ = model.respond(model.start(1), np.array([20.0]))
    state, m = model.respond(state, np.zeros(1))
    before = m[0]
    _, m = model.respond(state, np.array([-0.4]))
    assert m[0] == pytest.approx(-1 + (1 + before) * np.exp(-0.4 / 0.5), abs=2e-4)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_cell_ends_where_its_field_says(kind: str) -> None:
    """The solver's own equation: what each cell feels is the field less what all cells make, to 1e-4 of
    saturation."""
    rng = np.random.default_rng(4)
    body = cylinder(6e-3, 2e-3, 3, 3)
    material = Scaled(KINDS[kind](rng), np.full(9, 3e5), 7e4, 0.02)
    sample = Sample(body, material)
    falling = [
        sample.mean for h in (5e5, 3e5, 1e5, 0.0, -1e5, -3e5) if sample.apply(np.full(9, h)) is not None
    ]
    assert sample.worst < 1e-4
    assert falling[0] > 0 > falling[-1]
    assert np.all(np.diff(falling) <= 0)
    alone = uniform(body, material)
    for h in (5e5, 3e5, 1e5, 0.0):
        alone.apply(np.full(1, h))
    assert alone.mean == pytest.approx(falling[3], rel=0.06)
