"""The twin's sample remembers as a hysteretic body must.

Return-point memory and wiping-out are what Mayergoyz (Phys. Rev. Lett. 56 (1986) 1518, from
memory) shows to be the marks of a Preisach body; they are demanded of the material here. The
sample as a whole, whose rings also turn each other, must keep its symmetry, lose its past in a
field that turns everything, and feel the field that its own magnetisation makes.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from weighloop.drivers.twin import bench_file as scenario
from weighloop.drivers.twin.field import Magnet
from weighloop.drivers.twin.rings import disc_cells
from weighloop.drivers.twin.sample import AWAY, MU0, SampleMaterial, TwinSample
from weighloop.drivers.twin.true_figures import BEYOND_ALL, descending, figures, uniform_loop, walk

MATERIAL = SampleMaterial(saturation=2.1e5, coercivity=8e4, spread=0.2, interaction=6e3, reversible=0.06,
                    reversible_field=1.5e5, widths=24)  # fmt: skip
MAGNET = Magnet("cylinder", (20e-3,), 10e-3, 1.32)
FIELDS = st.lists(st.floats(-4e5, 4e5), min_size=1, max_size=8)


def fresh() -> TwinSample:
    return TwinSample(MATERIAL, MAGNET, 6e-3, 3e-3)


def material() -> TwinSample:
    """The same without any field of its own: every ring is a piece of the bare material."""
    pellet = fresh()
    pellet.own[:] = 0.0
    return pellet


def expose(pellet: TwinSample, *fields: float) -> TwinSample:
    """Apply uniform fields one after the other, A/m."""
    for field in fields:
        pellet.expose(np.full(pellet.share.size, field))
    return pellet


@settings(max_examples=examples(40))
@given(FIELDS, st.floats(-4e5, 4e5))
def test_return_point_memory(history, excursion):
    """Going away from a turning point and coming back to it closes the little loop exactly."""
    pellet = expose(material(), *history)
    before = pellet.M.copy()
    last = history[-1]
    # Come back before the excursion has wiped out an older turning: stay between the last two extremes.
    older = history[-2] if len(history) > 1 else -last
    low, high = sorted((last, older))
    expose(pellet, float(np.clip(excursion, low, high)), last)
    np.testing.assert_allclose(pellet.M, before, atol=1e-4 * MATERIAL.saturation)


@settings(max_examples=examples(40))
@given(FIELDS, st.floats(4.0e5, 6e5), st.sampled_from([1.0, -1.0]))
def test_a_larger_field_wipes_out_what_was_before(history, largest, sign):
    with_past = expose(fresh(), *history, sign * largest, -sign * largest, 0.0)
    without = expose(fresh(), sign * largest, -sign * largest, 0.0)
    np.testing.assert_allclose(with_past.M, without.M, atol=1e-4 * MATERIAL.saturation)


@settings(max_examples=examples(40))
@given(FIELDS)
def test_the_field_s_mirror_image_gives_the_mirror_image(history):
    one, other = expose(fresh(), *history), expose(fresh(), *(-h for h in history))
    np.testing.assert_allclose(one.M, -other.M, atol=1e-4 * MATERIAL.saturation)


@settings(max_examples=examples(40))
@given(FIELDS, st.integers(2, 7))
def test_only_the_turnings_count_not_the_pace(history, steps):
    whole = expose(material(), *history)
    fine = material()
    at = 0.0
    for field in history:
        expose(fine, *np.linspace(at, field, steps)[1:])
        at = field
    np.testing.assert_allclose(fine.M, whole.M, atol=1e-4 * MATERIAL.saturation)


@settings(max_examples=examples(40))
@given(FIELDS)
def test_the_sample_s_own_field_is_its_own_cause(history):
    pellet = expose(fresh(), *history)
    np.testing.assert_allclose(pellet.internal, pellet.applied - pellet.own @ pellet.M, atol=0.1)
    assert np.abs(pellet.M).max() <= MATERIAL.saturation


# Magnetometric factors of cylinders (see the field's tests): a uniformly magnetised disc's rings
# together must make them, averaged over the volume.
@pytest.mark.parametrize(("length", "n"), [(0.2, 0.680174532218), (0.5, 0.474489975748), (1, 0.311577392680)])
def test_the_rings_own_fields_add_up_to_the_demagnetising_factor(length, n):
    cells = disc_cells(0.5, length)
    assert float(cells.share @ cells.own.sum(axis=1)) == pytest.approx(n, rel=1e-3)
    # Newton's third law, ring for ring: the two act on each other alike, up to where in a ring one looks.
    mutual = cells.share[:, None] * cells.own
    np.testing.assert_allclose(mutual, mutual.T, atol=0.02 * mutual.max())


def test_a_loop_in_a_uniform_field_keeps_the_material_s_coercivity():
    """HcJ does not depend on the shape: at M = 0 a uniform sample has no field of its own."""
    h, m = uniform_loop(fresh(), 2e6)
    got = float(np.interp(0.0, m[::-1], h[::-1]))
    alone = figures(descending(MATERIAL, BEYOND_ALL), BEYOND_ALL, MATERIAL.saturation)
    assert -got == pytest.approx(alone["coercivity_HcJ_A_per_m"], rel=5e-3)


def test_taken_away_the_sample_keeps_its_remanence_and_loses_the_pull():
    pellet = fresh()
    pellet.travel(1e-3, 1)
    assert pellet.attraction > 0.3
    pellet.travel(AWAY, 1)
    assert pellet.attraction == 0.0
    assert pellet.mean_M > 0.5 * MATERIAL.saturation
    # Back the other way round: repelled at first, for it is magnetised against the field.
    pellet.travel(20e-3, -1)
    assert pellet.attraction < 0


def test_on_a_ring_the_peak_on_the_way_counts():
    """A ring's field is strongest some way off its face: carried to the face, a sample has seen more."""
    ring = Magnet("ring", (20e-3, 6e-3), 10e-3, 1.32)
    straight, carried = (TwinSample(MATERIAL, ring, 2e-3, 1e-3) for _ in range(2))
    straight.follow(0.5e-3, 1)
    carried.travel(0.5e-3, 1)
    for pellet in (straight, carried):
        pellet.follow(AWAY, 1)
    assert carried.mean_M > straight.mean_M + 0.05 * MATERIAL.saturation


def test_major_loop_figures_of_a_square_material():
    """All hysterons alike and no reversible part: a rectangle, whose figures are arithmetic."""
    hc, ms = 5e4, 3e5
    square = SampleMaterial(ms, hc, 1e-6, 5.0, 0.0, 1e5)
    got = figures(descending(square, BEYOND_ALL), BEYOND_ALL, ms)
    assert got["remanence_A_per_m"] == pytest.approx(ms, rel=1e-6)
    assert got["coercivity_HcJ_A_per_m"] == pytest.approx(hc, rel=1e-3)
    # M keeps its saturation down to -hc < ms / 2, so the largest product is at the corner: mu0 hc (ms - hc).
    assert got["BHmax_J_per_m3"] == pytest.approx(MU0 * hc * (ms - hc), rel=2e-3)
    # The rectangle's area.
    assert got["loop_energy_J_per_m3"] == pytest.approx(4 * MU0 * hc * ms, rel=2e-3)


def test_ideal_square_loop_has_the_textbook_energy_product():
    # Br^2/(4 mu0) for Br = 0.40 T: 31.830989 kJ/m3 (ideal square loop, arithmetic).
    hard = SampleMaterial(0.40 / MU0, 9e5, 1e-6, 5.0, 0.0, 1e5)
    got = figures(descending(hard, BEYOND_ALL), BEYOND_ALL, 0.40 / MU0)
    assert got["BHmax_J_per_m3"] == pytest.approx(31830.989, rel=1e-6)
    assert got["coercivity_HcB_A_per_m"] == pytest.approx(0.40 / MU0, rel=1e-6)


def test_descending_branch_is_what_a_body_without_demagnetising_field_does():
    pellet = material()
    expose(pellet, 3e5, -3e5, 3e5)
    branch = descending(MATERIAL, 3e5)
    for field in (1e5, 0.0, -5e4, -1e5, -2e5):
        expose(pellet, field)
        assert pellet.mean_M == pytest.approx(float(branch(np.array([field]))[0]), abs=1.0)


def test_the_loop_walked_on_the_bench_closes():
    class Bench:
        contact = 1e-3

        def pellet(self) -> TwinSample:
            return fresh()

    rows = walk(Bench(), points=12)  # pyright: ignore[reportArgumentType]
    ends = [row for row in rows if row["gap_m"] == pytest.approx(1e-3)]
    first, last = ends[1], ends[-1]
    assert (first["leg"], last["leg"]) == (1, 4)
    assert last["M_A_per_m"] == pytest.approx(first["M_A_per_m"], rel=1e-4)


def test_the_usual_sample_keeps_its_magnetisation_when_it_is_taken_off():
    """Spacers ask for it: HcJ above N times the remanence, so that taking off is nearly a recoil line."""
    scene = scenario.read("over-fired")
    pellet = scene.pellet()
    pellet.travel(scene.contact, 1)
    pellet.travel(scene.contact + 10e-3, 1)
    before = pellet.mean_M
    pellet.travel(AWAY, 1)
    pellet.travel(scene.contact + 10e-3, 1)
    assert pellet.mean_M == pytest.approx(before, rel=0.01)


def test_a_remanence_is_stated_at_twenty_degrees():
    # 1.32 T less 0.11 % for the one kelvin above (sintered NdFeB: makers' tables, 0.10 to 0.12 %/K).
    assert scenario.read("over-fired").magnet.remanence == pytest.approx(1.32 * (1 - 0.0011), rel=1e-9)
