"""The density's history against single hysterons turned one by one, and the second model's own checks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from tests.support.models.forward import Magnet, Pellet, block_factor
from tests.support.models.grains import Grains
from tests.support.models.preisach_medium import Material, Memory
from weighloop.analysis.inversion.preisach_cells import Masses, Medium, columns, grid, where_M_changes
from weighloop.analysis.inversion.preisach_memory import Past
from weighloop.analysis.inversion.settings import FINE, RAMPS
from weighloop.analysis.records.arrays import Floats

_CELLS = grid().cells
_fields = st.lists(st.integers(-_CELLS // 2 + 1, _CELLS // 2 - 1).filter(bool), min_size=1, max_size=9)


@settings(max_examples=examples(80))
@given(path=_fields, start=st.sampled_from([0, 1, -1]))
def test_cells_turn_as_single_hysterons_do(path: list[int], start: int) -> None:
    """At fields on the cells' edges a cell is wholly up or down: turned by hand, in the order of the path."""
    edges = np.linspace(-1.0, 1.0, _CELLS + 1)
    H = np.array([edges[_CELLS // 2 + k] for k in path])
    row, column = np.tril_indices(_CELLS, -1)
    alpha, beta = edges[row + 1], edges[column]
    middle = 0.5 * (edges[row] + edges[row + 1] + edges[column] + edges[column + 1])
    # A virgin sample: down above the line alpha = -beta, up below, split on it (left out below).
    state = np.where(middle > 0, -1.0, 1.0) if start == 0 else np.full(len(row), float(start))
    state = np.where(beta >= 0.0, -1.0, np.where(alpha <= 0.0, 1.0, state)) if start else state
    tilt = np.abs(middle) < 1e-12
    past = Past(float(start))
    design = past.followed(H[:, None]).design(Medium(1.0), H[:, None], np.ones((len(H), 1)))
    g = grid()
    inside = (g.one // _CELLS != g.one % _CELLS) & (g.pair > 0)
    where = {int(c): k for k, c in enumerate(row * _CELLS + column)}
    one = np.array([where[int(c)] for c in g.one[inside]])
    two = np.array([where[int(c)] for c in g.two[inside]])
    for k, h in enumerate(H):
        state = np.where(h >= alpha, 1.0, np.where(h <= beta, -1.0, state))
        expected = state[one] + state[two]
        clear = ~(tilt[one] | tilt[two])
        np.testing.assert_allclose(design[k, : len(g.one)][inside][clear], expected[clear], atol=1e-9)


@settings(max_examples=examples(80))
@given(path=_fields, start=st.sampled_from([0, 1, -1]))
def test_the_line_turns_as_particles_that_feel_nothing_do(path: list[int], start: int) -> None:
    """Square loops, each of a width of its own (E. C. Stoner and E. P. Wohlfarth, Phil. Trans. R. Soc. A 240
    (1948) 599, aligned, from memory): they go with the last field that was larger; virgin half of them up."""
    H = np.array(path) / (_CELLS // 2)
    particles = np.full(_CELLS // 2, float(start))
    design = Past(float(start)).followed(H[:, None]).design(Medium(1.0), H[:, None], np.ones((len(H), 1)))
    line = len(grid().area)
    for k, field in enumerate(path):
        particles[: abs(field)] = np.sign(field)
        np.testing.assert_allclose(design[k, line : line + _CELLS // 2], particles, atol=1e-9)


@pytest.mark.parametrize("start", [0.0, 1.0, -1.0, 0.5, -0.5])
def test_a_sample_in_an_even_field_is_on_the_branch_its_rows_are_on(start: float) -> None:
    """Five legs of a run whose sample is all in one field: the branch worked out as a curve against the run's
    own rows (which single hysterons bear out above), on both sides of zero and up to the far tip."""
    leg = np.geomspace(0.03, 0.9, 9)
    H = np.concatenate([leg, leg[-2::-1], -leg, -leg[-2::-1], leg])
    past, medium = Past(start), Medium(1.0)
    rows = past.followed(H[:, None]).design(medium, H[:, None], np.ones((len(H), 1)))
    for branch in (np.arange(9, 26), np.arange(26, 43)):
        curve = past.uniform(medium, int(branch[0]), H, H[branch])
        np.testing.assert_allclose(curve, rows[branch], atol=1e-9)


@pytest.mark.parametrize("start", [0.0, 1.0, -1.0, 0.5, -0.5])
def test_masses_make_the_state_that_their_columns_say(start: float) -> None:
    """Masses of all columns at nodes that feel fields of their own, on a run with minor loops within minor
    loops: node by node, and as a curve, against the columns (which single hysterons bear out above)."""
    rng = np.random.default_rng(3)
    H = np.array([0.1, 0.8, 0.5, -0.3, 0.4, -0.2, 0.3, -0.1, -0.9, -0.2, -0.6, 0.1, -0.4, 0.9, 0.2])
    u = H[:, None] * rng.uniform(0.9, 1.1, 6) + 0.02 * rng.standard_normal((len(H), 6))
    past, medium, masses = Past(start), Medium(1.0), rng.random(columns())
    history = past.followed(u)
    of = Masses(masses)
    M, slope = history.state(medium, u, of)
    for node in range(u.shape[1]):
        alone = np.zeros(u.shape)
        alone[:, node] = 1.0
        np.testing.assert_allclose(M[:, node], history.design(medium, u, alone) @ masses, atol=1e-9)
    # The slope, between corners of the cells, is that of a sample whose every row alone goes on a little.
    for row in range(len(H)):
        ahead, behind = u.copy(), u.copy()
        ahead[row] += 1e-7
        behind[row] -= 1e-7
        change = history.state(medium, ahead, of)[0] - history.state(medium, behind, of)[0]
        np.testing.assert_allclose(slope[row], change[row] / 2e-7, rtol=1e-5)
    field, H_local = np.linspace(-0.9, 0.9, 31), u.mean(axis=1)
    for row in range(1, len(H)):
        curve = past.uniform(medium, row, H_local, field)
        state = past.uniform(medium, row, H_local, field, Masses(masses))
        np.testing.assert_allclose(state, curve @ masses, atol=1e-9)


def test_changes_of_M_are_counted_where_they_are() -> None:
    """Up by 3 from 0.25 to 0.5 of the largest field, by 1 from there to 0.75, and back along the same way."""
    at = np.array([0.0, 0.25, 0.5, 0.75, 0.97])
    M = np.array([0.0, 0.0, 3.0, 4.0, 4.0])
    there = where_M_changes(*(np.concatenate([x, x[::-1]])[:, None] for x in (at, M)), np.ones((10, 1)))
    expected = np.zeros(FINE)
    expected[FINE // 4 : FINE // 2], expected[FINE // 2 : 3 * FINE // 4] = 3.0, 1.0
    np.testing.assert_allclose(there, expected / expected.sum(), atol=1e-12)


def test_every_column_is_there() -> None:
    assert len(grid().area) + _CELLS // 2 + RAMPS + _CELLS + 1 == columns()
    assert grid().area.sum() == pytest.approx(_CELLS**2 / 2)


def test_the_second_models_field_is_the_published_one() -> None:
    """Cylinder D 20 x L 10 mm, 1.32 T, on and off the axis; block 20 x 20 x 10 mm; ring (check values 2)."""
    bz, gradient = Magnet().field(np.array([0.0, 5e-3, 8e-3]), np.zeros(3), np.array([2e-3, 1e-3, 3e-3]))
    np.testing.assert_allclose(bz, [0.377589395343067, 0.425190371963, 0.23817898644], rtol=1e-8)
    assert gradient[0] == pytest.approx(-44.9126949953877, rel=1e-9)
    block = Magnet(shape="block", length=20e-3, width=20e-3)
    bz, gradient = block.field(np.array([0.0, 5e-3]), np.array([0.0, 0.0]), np.array([2e-3, 5e-3]))
    np.testing.assert_allclose(bz, [0.365662691387258, 0.2349870599662], rtol=1e-10)
    assert gradient[0] == pytest.approx(-38.0036839371376, rel=1e-10)
    ring = Magnet(shape="ring", inner=6e-3)
    assert ring.field(np.zeros(1), np.zeros(1), np.array([2e-3]))[0][0] == pytest.approx(0.103397474755799)


def test_the_second_models_own_field_is_the_published_one() -> None:
    """Magnetometric factors: disc L/D = 0.5 0.474489975748; block 20 x 20 x 10 0.495922037975 (section 1)."""
    tensor, weight = Pellet(rings=5, layers=8).layered_tensor()
    assert weight @ tensor.sum(axis=1) == pytest.approx(0.474489975748, rel=1e-3)
    body = Pellet("block", 0.0, 10e-3, 20e-3, 20e-3)
    assert block_factor(body) == pytest.approx(0.495922037975, rel=1e-4)


def test_the_grains_lean_as_published() -> None:
    """Stoner and Wohlfarth 1948: axes at random leave half the saturation; a grain leans by h sin^2(theta)
    at first, and everywhere as their equation says (from memory)."""
    random = Grains(texture=0.0)
    theta, share = random.axes
    assert random.leaning(np.zeros(1))[0] @ share == pytest.approx(0.5, abs=1e-9)
    small = 1e-3 * random.anisotropy
    risen = random.leaning(np.array([small])) - random.leaning(np.array([0.0]))
    np.testing.assert_allclose(risen[0], 1e-3 * np.sin(theta) ** 2, rtol=5e-3)
    for h in (-0.2, 0.3, 1.5):
        cosine = random.leaning(np.array([h * random.anisotropy]))[0]
        phi = np.arccos(np.clip(cosine, -1.0, 1.0))
        np.testing.assert_allclose(0.5 * np.sin(2 * (phi - theta)) + h * np.sin(phi), 0.0, atol=2e-4)


def test_the_grains_turn_over_one_by_one_and_remember() -> None:
    """A grain along the field turns at its own field; back within a minor excursion nothing has changed."""
    material = Grains(texture=8.0)
    memory = material.memory(1, "virgin")
    assert memory.magnetisation(np.zeros(1))[0] == pytest.approx(0.0, abs=1e-6 * material.saturation)
    for h in (3e5, -6e4):
        memory.go(np.array([h]))
    before = memory.magnetisation(np.array([-6e4]))
    for h in (2e4, -3e4, 4e4, -6e4):
        memory.go(np.array([h]))
    np.testing.assert_allclose(memory.magnetisation(np.array([-6e4])), before, rtol=1e-12)
    h = np.linspace(-2e5, 2e5, 401)
    down = material.major_descending(h)
    assert np.all(np.diff(down) >= 0.0)
    HcJ = -np.interp(0.0, down, h)
    # The median grain turns at its field over cos(theta); half of M is turned near there.
    assert material.switching < HcJ < 1.15 * material.switching


def test_the_second_models_material_remembers() -> None:
    """Return-point memory: after a minor excursion M is back where it was (Mayergoyz, wiping-out)."""
    memory = Memory(Material(), 1)
    for h in (2e5, -6e4):
        memory.go(np.array([h]))
    before = memory.magnetisation(memory.now)
    for h in (-2e4, -5e4, -3e4, -6e4):
        memory.go(np.array([h]))
    np.testing.assert_allclose(memory.magnetisation(memory.now), before, rtol=1e-9)
    up = Memory(Material(), 1, "up")
    np.testing.assert_allclose(
        up.magnetisation(np.array([-7e4])), Material().major_descending(np.array([-7e4])), rtol=1e-6
    )


def test_nodes_that_feel_themselves_answer_with_all_their_turns() -> None:
    """M of nodes that feel ``felt`` of their own M, by the masses: to first order as when solved again."""
    rng, felt = np.random.default_rng(3), 0.6
    turns = np.array([0.0, 0.9, -0.5, 0.4, -0.3, 0.6, -0.8, 0.7])
    H = np.concatenate([np.linspace(a, b, 9)[1:] for a, b in pairwise(turns)])[:, None] * [1.0, 0.8]
    history, medium, masses = Past(0.0).followed(H), Medium(1.0), rng.random(columns()) * 4e-3

    def solved(masses: Floats) -> Floats:
        M, of = np.zeros_like(H), Masses(masses)
        for _ in range(400):
            M += 0.2 * (history.state(medium, H - felt * M, of)[0] - M)
        return M

    M, by = solved(masses), 1e-4 * masses * rng.standard_normal(columns())
    _, slope = history.state(medium, H - felt * M, Masses(masses))
    assert slope.max() > 1.0  # parts answer to themselves by more than half
    kept = history.kept(medium, H - felt * M, Masses(masses), felt, slope)
    one = np.array([1.0, 0.0])
    for weights in (one, one[::-1]):
        found = history.design(medium, H - felt * M, weights / (1.0 + felt * slope), kept) @ by
        changed = (0.5 * (solved(masses + by) - solved(masses - by))) @ weights
        assert np.abs(found - changed).max() < 0.03 * np.abs(changed).max()
