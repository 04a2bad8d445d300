"""The gap ladder: history, spacing, and what it refuses."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from tests.support.examples import examples
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.forces.force import local_gravity
from weighloop.analysis.magnetostatics.demagnetising_factor import demagnetising_factor
from weighloop.analysis.planning.assumed_loop import AssumedLoop
from weighloop.analysis.planning.gap_ladder import plan
from weighloop.analysis.planning.settings import HARD_FERRITE_SATURATION
from weighloop.analysis.records.bench import Balance, Bench, Gap, ReferenceMagnet, Sample, Site
from weighloop.analysis.units import Measured

m = Measured
PAN_LOAD = m(0.150)
CYLINDER = ReferenceMagnet("cylinder", m(10e-3), m(1.32), diameter=m(20e-3), pan_load=PAN_LOAD)
RING = ReferenceMagnet(
    "ring", m(10e-3), m(1.32), outer_diameter=m(20e-3), inner_diameter=m(6e-3), pan_load=PAN_LOAD
)
DISC = Sample("WP-07-3", "cylinder", m(3e-3), diameter=m(6e-3))
LIFT = Gap(m(1e-3))
SHIMS = Gap(m(1e-3), "spacers", m(1e-3), 30)
MU0 = 1.25663706127e-6


def bench(magnet=CYLINDER, gap=LIFT, sample=DISC, **balance):
    return Bench(magnet, sample, gap, Balance(1e-6, **{"capacity": 0.22, **balance}))


def legs(planned):
    return [[step for step in planned.steps if step.leg == leg] for leg in range(5)]


@pytest.mark.parametrize("gap", [LIFT, SHIMS], ids=lambda g: g.ladder)
@pytest.mark.parametrize("magnet", [CYLINDER, RING], ids=lambda r: r.shape)
def test_history_is_never_spoilt(magnet, gap):
    planned = plan(bench(magnet, gap), 12)
    assert [step.step for step in planned.steps] == list(range(1, 5 * 12 - 1))
    # In, out, reversed in, out, in again; the field's magnitude moves one way only on each leg.
    assert [leg[0].orientation for leg in legs(planned)] == [1, 1, -1, -1, 1]
    for number, leg in enumerate(legs(planned)):
        strength = np.abs([step.H_applied for step in leg])
        assert np.all(np.diff(strength) * (1 if number in (0, 2, 4) else -1) > 0)
        assert all(np.sign(step.H_applied) == step.orientation for step in leg)
        # The point of strongest field is taken once, at the end of the leg in.
        assert len(leg) == (12 if number in (0, 2, 4) else 11)
    assert len({step.gap for step in planned.steps}) == 12


@settings(max_examples=examples(25))
@given(
    st.sampled_from([CYLINDER, RING]),
    st.integers(2, 40),
    st.integers(1, 50),
    st.floats(0.3e-3, 3e-3),
    st.floats(0.5e-3, 2e-3),
    st.floats(2e-3, 12e-3),
)
def test_spacers_are_whole_different_and_there(magnet, points, count, contact, thickness, diameter):
    shims = Gap(m(contact), "spacers", m(thickness), count)
    sample = replace(DISC, diameter=m(diameter))
    try:
        heavy = replace(magnet, pan_load=m(20.0))
        planned = plan(bench(heavy, shims, sample, capacity=50.0), points)
    except NotPossible:
        # Only with too few spacers to get past a ring's weak field is no ladder left.
        assert magnet is RING
        return
    first = legs(planned)[0]
    numbers = [step.spacers for step in first]
    assert all(isinstance(n, int) and 0 <= n <= count for n in numbers)
    assert all(a > b for a, b in pairwise(numbers))
    assert len(numbers) <= points
    if len(numbers) < points:
        assert any("fewer than" in text for text in planned.warnings)
    for step in planned.steps:
        assert step.gap == pytest.approx(contact + step.spacers * thickness)


def test_lift_heights_are_hundredths_within_the_travel():
    for travel in (5e-3, 49e-3):
        planned = plan(bench(gap=replace(LIFT, travel=travel)), 20)
        heights = np.array([step.height for step in planned.steps])
        np.testing.assert_allclose(heights * 1e5, np.rint(heights * 1e5), atol=1e-6)
        assert heights.min() == 0
        assert heights.max() == pytest.approx(travel)
        assert all(step.spacers is None for step in planned.steps)


def test_even_steps_in_internal_field():
    # By the definition: internal field steps, averaged over the way out and the reversed way in, are equal
    # (the far end is wide: its first step is cut by the travel, and heights are hundredths).
    planned = plan(bench(), 16)
    _, out, back, _, _ = legs(planned)
    start = legs(planned)[0][-1]
    outward = np.abs(np.diff([AssumedAt(out, start)[0], *AssumedAt(out, start)[1:]]))
    inward = np.abs(np.diff([step.H_internal for step in back]))[::-1]
    both = outward + inward
    assert np.ptp(both) < 0.05 * both.mean()


def AssumedAt(out, start):
    """Internal fields of the way out, begun at the closest gap on the descending branch itself."""
    loop, N = AssumedLoop.of(None, None), demagnetising_factor(DISC).axial
    H = np.array([start.H_applied])
    return [(H - N * loop.at(H, N, "descending"))[0], *[step.H_internal for step in out]]


def test_an_earlier_loop_gathers_gaps_where_it_is_steep():
    # A slender sample, so that its own field does not spread a sharp turn-over across the whole ladder.
    rod = Sample("WP-07-6", "cylinder", m(6e-3), diameter=m(3e-3))
    H = np.linspace(-400e3, 400e3, 801)
    sharp = (H, 320e3 * np.tanh((H + 120e3) / 10e3))
    N, loop = demagnetising_factor(rod).axial, AssumedLoop.of(None, sharp)

    def widest_step_in_M(planned):
        applied = np.array([step.H_applied for step in legs(planned)[2]])
        return np.abs(np.diff(loop.at(applied, N, "descending"))).max()

    plain, second = (plan(bench(sample=rod), 16, loop=earlier) for earlier in (None, sharp))
    assert len(second.steps) == len(plain.steps)
    assert widest_step_in_M(second) < 0.8 * widest_step_in_M(plain)


def test_assumed_loop_in_its_own_field():
    # M = f(H - N M) by scipy's root finder on each branch.
    H = np.linspace(-500e3, 500e3, 51)
    f = 300e3 * np.tanh((H + 120e3) / 60e3)
    loop, N = AssumedLoop.of(None, (H, f)), 0.4745

    def curve(branch, x):
        falling = np.interp(x, H, f)
        rising = -np.interp(-x, H, f)
        return {"descending": falling, "ascending": rising, "first": (falling + rising) / 2}[branch]

    for branch in ("first", "descending", "ascending"):
        for applied in (-250e3, -90e3, 0.0, 40e3, 260e3):
            known = brentq(lambda M, b=branch, a=applied: curve(b, a - N * M) - M, -4e5, 4e5, xtol=1e-4)
            assert loop.at(np.array([applied]), N, branch)[0] == pytest.approx(known, abs=1.0)


def test_an_earlier_loop_may_be_noisy_and_unordered():
    rng = np.random.default_rng(5)
    H = rng.permutation(np.linspace(-300e3, 300e3, 60))
    M = 300e3 * np.tanh((H + 150e3) / 80e3) + 2e3 * rng.standard_normal(60)
    M[7] = np.nan
    assert len(plan(bench(), 10, loop=(H, M)).steps) == 48
    with pytest.raises(NotPossible, match="at least 3 points"):
        plan(bench(), 10, loop=(H[:2], M[:2]))


def test_largest_pull_is_the_force_at_the_closest_gap():
    # Disc 6 x 3 mm of 0.385 T at 1 mm over the 20 x 10 mm magnet: 1.17897258407 N by four routes (Vokoun et
    # al., J. Magn. Magn. Mater. 321 (2009) 3758).
    planned = plan(bench(), 8, M_assumed=0.385 / MU0)
    # The strongest gradient within the sample's reach is at the closest gap for this disc.
    assert planned.largest_pull == pytest.approx(1.17897258407, rel=1e-6)


def test_largest_pull_on_the_way_between_the_steps():
    # Over a ring the pull is strongest on the way, not at either end: scipy's minimiser on the mean gradient.
    from scipy.optimize import minimize_scalar

    from weighloop.analysis.magnetostatics.quadrature import mean_field

    steepest = minimize_scalar(lambda g: mean_field(RING, DISC, [g])[1][0], bounds=(3e-3, 12e-3)).fun
    planned = plan(bench(RING), 2)
    pull = -HARD_FERRITE_SATURATION * np.pi * 27e-9 * steepest
    assert planned.largest_pull == pytest.approx(pull, rel=1e-4)


def test_predicted_readings_have_the_sign_of_the_pull():
    for attraction, sign in (("lighter", -1), ("heavier", 1)):
        planned = plan(bench(attraction=attraction), 10)
        g = local_gravity(0.7853981633974483) * 0.99985
        first, out, back, _, again = legs(planned)
        # Magnetised along the field: attracted.
        assert all(np.sign(step.predicted_reading) == sign for step in [*first, *out])
        # Just turned over it is still magnetised the old way: repelled; pulled over at the strongest field.
        assert np.sign(back[0].predicted_reading) == -sign
        assert np.sign(back[-1].predicted_reading) == sign
        assert max(abs(step.predicted_reading) for step in planned.steps) * g <= planned.largest_pull
        # The loop closes on itself: the last leg ends where the first did not start.
        assert again[-1].H_applied == first[-1].H_applied


def test_ring_ladder_stops_at_the_strongest_mean_field():
    # The mean field over the sample, by scipy: highest at 2.2 mm; closer, it weakens (the ring's bore).
    from scipy.optimize import minimize_scalar

    from weighloop.analysis.magnetostatics.quadrature import mean_field

    best = minimize_scalar(lambda g: -mean_field(RING, DISC, [g])[0][0], bounds=(0.5e-3, 10e-3)).x
    planned = plan(bench(RING), 12)
    closest = min(step.gap for step in planned.steps)
    assert closest == pytest.approx(best, abs=0.15e-3)
    assert closest >= best - 0.01e-3
    assert any("weakens the mean field" in text for text in planned.warnings)
    assert any("different histories" in text for text in planned.warnings)
    assert not any("weakens" in text for text in plan(bench(), 12).warnings)


def test_wanted_fields_are_met():
    wanted = [50e3, 100e3, 150e3, 200e3, 250e3]
    first = legs(plan(bench(), 0, fields=wanted))[0]
    np.testing.assert_allclose([step.H_applied for step in first], wanted, rtol=5e-3)
    part = plan(bench(), 0, fields=[100e3, 200e3, 900e3])
    assert len(legs(part)[0]) == 2
    assert any("900" in text for text in part.warnings)
    with pytest.raises(NotPossible, match="900"):
        plan(bench(), 0, fields=[900e3])


def test_a_magnet_that_would_lift_off_is_refused_with_both_figures():
    light = bench(replace(CYLINDER, pan_load=m(0.080)))
    with pytest.raises(NotPossible, match=r"126 g.*80 g.*lift off"):
        plan(light, 12)
    heavy = bench(replace(CYLINDER, pan_load=m(0.180)), capacity=0.4)
    assert plan(heavy, 12).pan_load == 0.180
    assert plan(heavy, 12).pan_load_stated
    assert plan(heavy, 12).warnings == ()


def test_an_unweighed_magnet_is_estimated_and_a_pull_above_its_weight_refused():
    unweighed = replace(CYLINDER, pan_load=None)
    # By hand: pi (10 mm)^2 10 mm at 7500 kg/m^3 = 23.6 g.
    with pytest.raises(NotPossible, match=r"126 g.*about 23\.6 g.*pan_load"):
        plan(bench(unweighed), 12)
    far = plan(bench(unweighed, gap=Gap(m(15e-3))), 12)
    assert far.pan_load == pytest.approx(23.56e-3, rel=1e-3)
    assert not far.pan_load_stated


def test_beyond_the_capacity_is_refused_with_both_figures():
    with pytest.raises(NotPossible, match=r"126 g.*capacity of 100 g"):
        plan(bench(capacity=0.1), 12)


def test_pull_beyond_what_is_given():
    # A quarter of the magnetisation, a quarter of the pull.
    weak = plan(bench(), 12, M_assumed=HARD_FERRITE_SATURATION / 4)
    assert weak.largest_pull == pytest.approx(plan(bench(), 12).largest_pull / 4, rel=1e-9)


def test_expected_uncertainty_of_M():
    # u(M) = u(F)/(V |dBz/dz|): 2 mg on a disc of 84.8 mm^3; at 1 mm the mean gradient is the force
    # 1.17897258407 N over the moment 2.598750e-2 A m^2.
    planned = plan(bench(), 12)
    closest = legs(planned)[0][-1]
    gradient = 1.17897258407 / 2.598750e-2
    g = local_gravity(Site().latitude.value) * 0.99985
    assert closest.expected_u_M == pytest.approx(2e-6 * g / (np.pi * 27e-9 * gradient), rel=1e-6)
    assert plan(bench(), 12, target_u=1e-6).steps[0].expected_u_M == pytest.approx(
        planned.steps[0].expected_u_M / 2
    )


def test_time_grows_with_the_ladder_and_spacers_take_longer():
    assert plan(bench(), 24).seconds > plan(bench(), 12).seconds > 0
    assert plan(bench(gap=SHIMS), 12).seconds > plan(bench(), 12).seconds


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: plan(bench(), 1), "at least 2 gaps"),
        (lambda: plan(bench(), 12, M_assumed=-1.0), "greater than 0"),
        (lambda: plan(bench(gap=Gap(m(1e-3), "spacers", None, 3)), 12), "thickness and number"),
        (lambda: plan(bench(gap=Gap(m(1e-3), "spacers", m(1e-3), 0)), 12), "fewer than 2 gaps"),
    ],
)
def test_what_cannot_be_planned_is_said(call, said):
    with pytest.raises(NotPossible, match=said):
        call()


def test_planning_is_smooth_in_the_contact_gap():
    # A ladder planned for a slightly larger contact gap has slightly weaker fields throughout.
    fields = []
    for contact in (1.0e-3, 1.1e-3):
        first = legs(plan(bench(gap=Gap(m(contact))), 12))[0]
        fields.append(
            PchipInterpolator(range(12), [step.H_applied for step in first])(np.linspace(0, 11, 50))
        )
    assert np.all(fields[1] < fields[0])


@pytest.mark.parametrize("branch", ["first", "descending", "ascending"])
def test_the_assumed_loop_solves_for_its_own_field(branch):
    loop, applied, N = AssumedLoop.of(None, None), np.linspace(-300e3, 300e3, 41), 0.47
    M = loop.at(applied, N, branch)
    inside = applied - N * M
    falling, rising = np.interp(inside, loop.H, loop.M), -np.interp(-inside, loop.H, loop.M)
    wanted = {"descending": falling, "ascending": rising, "first": (falling + rising) / 2}[branch]
    np.testing.assert_allclose(M, wanted, atol=1e-6 * loop.saturation)
    np.testing.assert_array_equal(M, loop.at(applied.copy(), N, branch))
    with pytest.raises(ValueError, match="read-only"):
        M[0] = 0.0
