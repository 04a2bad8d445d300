"""What the figures of a loop may claim, and what every loop's figures obey."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from tests.support.models.runs import CASES, bench_of, points_of, uniform_loop, weighed
from weighloop.analysis.constants import MU0
from weighloop.analysis.figures.definitions import claim, figures
from weighloop.analysis.figures.extract import NAMES, read_figures
from weighloop.analysis.inversion.invert import invert
from weighloop.analysis.inversion.loop import Curve, Sensitivity
from weighloop.analysis.inversion.saturation import Verdict, judge
from weighloop.analysis.units import Measured

_SOFT = next(case for case in CASES if case.name == "soft disc")
_HARD = next(case for case in CASES if case.name == "not")


def curve(H: np.ndarray, M: np.ndarray, N: float = 0.0, branch: str = "descending") -> Curve:
    sure = Sensitivity(np.zeros((len(H), 0)), np.zeros((len(H), 0)))
    nothing = np.zeros((len(H), 0))
    return Curve(branch, H, M, N, sure, sure, nothing, nothing)  # type: ignore[arg-type]


def tanh_pair(Ms: float, Hc: float, width: float, top: float, N: float = 0.0) -> tuple[Curve, Curve]:
    """Both branches of a loop that is closed far before ``top``, or not, as the numbers say."""
    h = np.linspace(-top, top, 801)
    down, up = (Ms * np.tanh((h + s * Hc) / width) for s in (1, -1))
    return curve(h + N * down, down, N), curve(h + N * up, up, N, "ascending")


@settings(max_examples=examples(60))
@given(
    Ms=st.floats(5e4, 1.2e6),
    Hc=st.floats(5e3, 1e6),
    width=st.floats(0.02, 0.8),
    N=st.floats(0.0, 0.9),
)
def test_what_every_loop_obeys(Ms: float, Hc: float, width: float, N: float) -> None:
    """HcB <= HcJ, HcB <= Mr, (BH)max <= mu0 Mr^2/4, squareness <= 1 (check values, section 5)."""
    down, up = tanh_pair(Ms, Hc, width * Hc, 4 * Hc, N)
    found = {
        name: float(value[0])
        for name, value in read_figures(down.H_applied, down.M, N, up.H_applied, up.M).items()
    }
    near = 1 + 1e-6
    assert found["coercivity_HcB_A_per_m"] <= found["coercivity_HcJ_A_per_m"] * near
    assert found["coercivity_HcB_A_per_m"] <= found["remanence_A_per_m"] * near
    assert found["BHmax_J_per_m3"] <= MU0 * found["remanence_A_per_m"] ** 2 / 4 * near
    assert found["squareness"] <= near
    assert found["recoil_permeability"] >= 1 / near
    assert found["loop_energy_J_per_m3"] > 0


@settings(max_examples=examples(30))
@given(factor=st.floats(0.1, 10.0))
def test_fields_and_magnetisation_scale_together(factor: float) -> None:
    down, up = tanh_pair(3e5, 6e4, 1e4, 4e5, 0.4)
    plain = read_figures(down.H_applied, down.M, 0.4, up.H_applied, up.M)
    scaled = read_figures(factor * down.H_applied, factor * down.M, 0.4, factor * up.H_applied, factor * up.M)
    for name in NAMES:
        power = {"A_per_m": 1, "J_per_m3": 2}.get("_".join(name.split("_")[-3:]), 0)
        np.testing.assert_allclose(scaled[name], factor**power * plain[name], rtol=1e-9, err_msg=name)


def test_many_loops_at_once_are_as_one_by_one() -> None:
    loops = [tanh_pair(Ms, Hc, 9e3, 4e5, 0.4) for Ms, Hc in ((2e5, 4e4), (3e5, 6e4), (2.5e5, 9e4))]
    grid = np.linspace(-5e5, 5e5, 501)
    M = np.array([np.interp(grid, down.H_applied, down.M) for down, _ in loops])
    up = np.array([np.interp(grid, u.H_applied, u.M) for _, u in loops])
    together = read_figures(grid, M, np.full(3, 0.4), grid, up)
    for k in range(3):
        alone = read_figures(grid, M[k : k + 1], 0.4, grid, up[k : k + 1])
        for name in NAMES:
            np.testing.assert_allclose(together[name][k], alone[name][0], rtol=1e-12, err_msg=name)


def test_the_knee_is_a_reverse_field_whatever_the_top_does() -> None:
    """The knee is defined from the remanence on (common practice, no source): a branch that dips
    near its top, as one trial in thousands does, has not its knee there."""
    down, _ = tanh_pair(3e5, 6e4, 1e4, 4e5)
    dipped = down.M.copy()
    dipped[-1] *= 0.85
    plain, there = (read_figures(down.H_applied, M, 0.0)["knee_field_Hk_A_per_m"] for M in (down.M, dipped))
    np.testing.assert_allclose(there, plain)
    # M = 0.9 Mr of tanh((H + Hc)/w).
    Mr = np.tanh(6e4 / 1e4)
    np.testing.assert_allclose(plain, 6e4 - 1e4 * np.arctanh(0.9 * Mr), rtol=1e-3)


@pytest.mark.costly
def test_a_saturated_sample_is_measured() -> None:
    found = figures(invert(points_of(weighed(_SOFT), 3), bench_of(_SOFT.magnet, _SOFT.pellet)), _bench())
    for name in ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3"):
        assert found[name].status == "measured", found[name]


@pytest.mark.costly
def test_an_unsaturated_sample_has_bounds_that_hold() -> None:
    """Every bound is below what the material shows when it is driven wholly into saturation."""
    run = weighed(_HARD)
    found = figures(invert(points_of(run, 3), bench_of(_HARD.magnet, _HARD.pellet)), _bench())
    H, M = uniform_loop(_HARD.material, run.N, 1.1e6)
    major = read_figures(H, M, run.N)
    for name in NAMES:
        figure = found[name]
        if figure.status == "bound":
            assert figure.why
            assert figure.value is not None
            assert figure.value <= float(major[name][0]) * 1.005 or name == "loop_energy_J_per_m3", name
    for name in ("saturation_A_per_m", "remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3"):
        assert found[name].status == "bound"
    assert found["squareness"].status == "not determined"
    assert found["largest_field_A_per_m"].status == "measured"


def test_without_a_change_of_sign_HcJ_is_the_reverse_field_reached() -> None:
    down, _ = tanh_pair(3e5, 6e4, 9e3, 4e5)
    cut = down.H_applied > -3e4
    short = curve(down.H_applied[cut], down.M[cut])
    verdict = judge(short, None)
    raw = read_figures(short.H_applied, short.M, 0.0)
    figure = claim("coercivity_HcJ_A_per_m", float(raw["coercivity_HcJ_A_per_m"][0]), verdict)
    assert figure.status == "bound"
    assert figure.value == pytest.approx(3e4, rel=0.05)
    assert claim("loop_energy_J_per_m3", float("nan"), verdict).status == "not determined"


def test_branches_that_have_not_met_mean_a_minor_loop() -> None:
    down, up = tanh_pair(3e5, 1e5, 4e4, 1.4e5)
    assert not judge(down, up).saturated
    down, up = tanh_pair(3e5, 3e4, 8e3, 1.4e5)
    assert judge(down, up).saturated


def to_the_far_end(up: Curve) -> Curve:
    """An ascending branch that was followed on its way out only."""
    way = up.H_applied < -0.01 * up.H_applied[-1]
    return curve(up.H_applied[way], up.M[way], up.N, "ascending")


@settings(max_examples=examples(30))
@given(Hc=st.floats(2e4, 1.6e5), width=st.floats(0.1, 0.8), N=st.floats(0.0, 0.5))
def test_a_loop_is_judged_alike_at_both_its_ends(Hc: float, width: float, N: float) -> None:
    """A loop between two fields of one size is symmetric: the ascending branch's way out tells as much."""
    down, up = tanh_pair(3e5, Hc, width * Hc, 2e5, N)
    whole, out = judge(down, up), judge(down, to_the_far_end(up))
    assert (whole.saturated, whole.nearly) == (out.saturated, out.nearly)
    assert (whole.why_not or "").split("(")[0] == (out.why_not or "").split("(")[0]
    energy = [
        float(read_figures(down.H_applied, down.M, N, c.H_applied, c.M)["loop_energy_J_per_m3"][0])
        for c in (up, to_the_far_end(up))
    ]
    if whole.saturated:  # else these two are no branches of one loop: they end in different applied fields
        assert energy[1] == pytest.approx(energy[0], rel=0.01)


def test_branches_that_cross_have_not_met_either() -> None:
    """A descending branch below the ascending one is no branch of a loop (common practice, no source)."""
    down, up = tanh_pair(3e5, 5e4, 3e4, 3e5)
    crossed = curve(down.H_applied, down.M - np.where(down.H_applied > 2e5, 0.03 * 3e5, 0.0))
    assert judge(down, up).saturated
    verdict = judge(crossed, up)
    assert not verdict.saturated
    assert "apart" in str(verdict.why_not)


@settings(max_examples=examples(30))
@given(share=st.floats(0.02, 0.5), N=st.floats(0.0, 0.5), whole=st.booleans())
def test_a_part_in_too_weak_a_field_has_not_turned(share: float, N: float, whole: bool) -> None:
    """Where the branches of the rest are open in the strongest field that a part came to, that part is short
    of half of that, by its share (common practice, no source)."""
    down, up = tanh_pair(3e5, 5e4, 8e3, 2e5, N)
    stops = 6e4
    short = share * float(1.0 - np.tanh((stops - 5e4) / 8e3))
    assume(min(abs(short / limit - 1.0) for limit in (0.01, 0.05)) > 0.02)

    def verdict(part: float) -> Verdict:
        farthest = np.array([stops, 2e5]) + N * np.interp([stops, 2e5], up.H_internal, up.M)
        parted = replace(up, farthest=farthest, shares=np.array([part, 1.0 - part]))
        if whole:
            return judge(down, parted)
        mirrored = replace(down, farthest=-farthest, shares=parted.shares)
        return judge(mirrored, to_the_far_end(up))

    found = verdict(share)
    assert found.met
    assert found.saturated is (short <= 0.01)
    assert found.nearly is (0.01 < short <= 0.05)
    assert found.saturated or "parts" in (found.why_not or "")
    assert verdict(1e-3).saturated


def test_a_loop_that_does_not_open_tells_nothing() -> None:
    """A sample in which nothing has turned over: reversible, M in proportion to the field."""
    H = np.linspace(-2e5, 2e5, 401)
    down, up = curve(H, 0.1 * H + 30.0), curve(H, 0.1 * H - 30.0, branch="ascending")
    verdict = judge(down, up)
    for name in ("coercivity_HcJ_A_per_m", "remanence_A_per_m", "loop_energy_J_per_m3"):
        claimed = claim(name, 100.0, verdict)
        assert claimed.status == "not determined"
        assert "do not part" in str(claimed.why)
    assert claim("saturation_A_per_m", 2e4, verdict).status == "bound"


def test_a_minor_loop_whose_readings_fit_nothing_has_no_bounds() -> None:
    down, up = tanh_pair(3e5, 1.5e5, 8e4, 2.2e5)
    assert claim("coercivity_HcB_A_per_m", 9e4, judge(down, up, misfit=0.8)).status == "bound"
    claimed = claim("coercivity_HcB_A_per_m", 9e4, judge(down, up, misfit=9.0))
    assert claimed.status == "not determined"
    assert "3.0 times" in str(claimed.why)
    # Nor is anything measured of one that is saturated.
    down, up = tanh_pair(3e5, 5e4, 8e3, 2.2e5)
    for misfit, status in ((0.8, "measured"), (9.0, "not determined")):
        assert claim("coercivity_HcJ_A_per_m", 5e4, judge(down, up, misfit)).status == status


def test_one_branch_alone_goes_by_the_rule_of_three_times_HcJ() -> None:
    """About 3 x HcJ for hard ferrite (IEC 60404-5's recommendation: 3 to 5)."""
    assert judge(tanh_pair(3e5, 5e4, 8e3, 1.6e5)[0], None).saturated
    assert not judge(tanh_pair(3e5, 5e4, 8e3, 1.4e5)[0], None).saturated


def test_saturation_only_where_the_law_is_followed() -> None:
    H = np.linspace(-4e5, 4e5, 1601)
    flat = 3e5 * np.tanh((H + 3e4) / 8e3) * (1 - 1e-3 * (1e5 / np.maximum(np.abs(H), 5e4)) ** 2)
    assert judge(curve(H, flat), None).law_of_approach
    rising = flat + 0.15 * H
    assert not judge(curve(H, rising), None).law_of_approach


def test_a_soft_sample_of_a_flat_shape_tells_no_remanence() -> None:
    """Iron in a disc: apparent susceptibility 1/N (check values, section 9) whatever the material is like, so
    internal field zero is the difference of two fields a hundred times larger. HcJ needs no N."""
    for Hc, told in ((1e3, False), (60e3, True)):
        down, up = tanh_pair(3e5, Hc, 0.5 * Hc, 400e3, N=0.474)
        verdict = judge(down, up)
        found = read_figures(down.H_applied, down.M, down.N, up.H_applied, up.M)
        claims = {name: claim(name, float(value[0]), verdict) for name, value in found.items()}
        assert claims["coercivity_HcJ_A_per_m"].status == "measured"
        assert claims["coercivity_HcJ_A_per_m"].value == pytest.approx(Hc, rel=0.02)
        for name in ("remanence_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3", "squareness"):
            assert (claims[name].status == "measured") is told
            assert told or "the shape decides" in (claims[name].why or "")


def test_the_mass_adds_density_and_specific_magnetisation() -> None:
    """412 mg in a disc 6 x 3 mm: 4857 kg/m3, as sintered ferrite is (4.7 to 5.0 g/cm3)."""
    estimate = invert(points_of(weighed(_SOFT), 3), bench_of(_SOFT.magnet, _SOFT.pellet))
    bench = _bench()
    found = figures(estimate, replace(bench, sample=replace(bench.sample, mass=Measured(412e-6, 1e-6))))
    density = found["density_kg_per_m3"].value
    assert density == pytest.approx(412e-6 / (np.pi / 4 * 6e-3**2 * 3e-3), rel=1e-12)
    remanence = found["remanence_A_per_m"].value
    assert remanence is not None
    assert density is not None
    assert found["specific_remanence_A_m2_per_kg"].value == pytest.approx(remanence / density, rel=1e-12)
    assert "density_kg_per_m3" not in figures(estimate, bench)


def _bench():
    return bench_of(_SOFT.magnet, _SOFT.pellet)
