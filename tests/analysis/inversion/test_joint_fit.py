"""The bench conditioned on the readings: what it mends, what it leaves alone, and how it answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.models.forward import Pellet
from tests.support.models.loops import TanhLoop, noisy_run, reclaimed_bench
from tests.support.models.runs import (
    MEAN_FIELD,
    Case,
    Magnet,
    Material,
    bench_of,
    points_of,
    uniform_loop,
    weighed,
)
from weighloop.analysis.figures.extract import read_figures
from weighloop.analysis.inversion.invert import invert
from weighloop.analysis.inversion.loop import LoopEstimate
from weighloop.analysis.magnetostatics.bench_linearisation import found_inputs
from weighloop.analysis.outliers.screen import find_outliers
from weighloop.analysis.records.bench import Bench
from weighloop.analysis.records.points import Points
from weighloop.analysis.results import analyse
from weighloop.analysis.units import Measured

#: A disc whose rings and layers feel each other's real fields, on the second bench (``forward``).
LAYERS = Case(
    "layers, saturated",
    Magnet(),
    Pellet(rings=3, layers=6),
    Material(200e3, 55e3, 7e3, reversible=10e3),
    True,
    "layered",
)
HcJ = "coercivity_HcJ_A_per_m"


class ByShim(Case):
    """A case set by shims of 1 mm."""

    def gaps(self) -> np.ndarray:
        return 1e-3 + 1e-3 * np.arange(30)


class SixteenGaps(Case):
    """A case at few gaps."""

    def gaps(self) -> np.ndarray:
        return np.geomspace(1e-3, 30e-3, 16)


def stated(case: Case, remanence: float, contact: float) -> Bench:
    """The bench of a case with remanence (T) and contact gap (m) stated so, to within 0.01 T, 0.03 mm."""
    bench = bench_of(case.magnet, case.pellet)
    magnet = replace(bench.reference_magnet, remanence=Measured(remanence, 0.01))
    gap = replace(bench.gap, contact=Measured(contact, 0.03e-3))
    return replace(bench, reference_magnet=magnet, gap=gap)


def run_with(case: Case, contact: float) -> Points:
    """The weighed run noted with gaps counted from another contact gap than the true 1 mm."""
    points = points_of(weighed(case), 5)
    return replace(points, gap=points.gap + (contact - 1e-3))


def HcJ_of(estimate: LoopEstimate) -> float:
    curve = estimate.descending
    return float(read_figures(curve.H_applied, curve.M, estimate.N)[HcJ][0])


def truth_of(case: Case) -> float:
    """HcJ of a sample of the case's material in a uniform field, by the second model."""
    run = weighed(case)
    H, M = uniform_loop(case.material, run.N, float(run.H_applied.max()), case.start)
    return float(read_figures(H, M, run.N)[HcJ][0])


@pytest.mark.parametrize("case", [LAYERS, MEAN_FIELD], ids=["shape", "mean"])
def test_a_bench_wrong_within_its_uncertainty_spoils_nothing(case: Case) -> None:
    """Remanence two standard uncertainties off (1.5 %), contact one: HcJ within 2 % of the second model's."""
    found = invert(run_with(case, 1.03e-3), stated(case, 1.30, 1.03e-3))
    assert found.settled is not None
    assert (
        found.settled.demagnetising_field == {"layers, saturated": "shape", "mean field": "mean"}[case.name]
    )
    assert HcJ_of(found) == pytest.approx(truth_of(case), rel=0.02)


@pytest.mark.parametrize("reversible", [0.0, 10e3])
@pytest.mark.parametrize(("feels", "name", "least"), [("layered", "shape", 0.6), ("local", "part", 0.9)])
def test_a_curve_as_rough_as_it_takes_is_no_rival(feels, name, least, reversible) -> None:
    """What parts feel of one another and how rough the branch is explain the same readings: a branch ten
    times rougher makes up for the wrong own field, but the readings are then less likely. The weight
    of the second model's own field at 16 gaps (0.5 where only the misfit counts)."""
    material = Material(200e3, 55e3, 7e3, reversible=reversible)
    case = SixteenGaps(name, Magnet(), Pellet(rings=3, layers=6), material, True, feels)
    found = invert(points_of(weighed(case), 1), bench_of(case.magnet, case.pellet))
    assert found.evidence[f"weight_{name}"] > least


def test_a_steep_sample_that_feels_its_mean_is_found_from_afar() -> None:
    """Turning over within 10 kA/m under an own field of 140: what it feels is the small difference of two
    large fields, which the fit reaches only by way of the others. HcJ within 4 % of the second model's."""
    steep = ByShim("steep", Magnet(), Pellet(rings=4, layers=6), Material(300e3, 40e3, 5e3), True, "mean")
    for seed in (1, 2):
        found = invert(points_of(weighed(steep), seed), stated(steep, 1.31, 1e-3))
        assert found.settled is not None
        assert found.settled.demagnetising_field == "mean"
        assert HcJ_of(found) == pytest.approx(truth_of(steep), rel=0.04)


def test_what_the_readings_contradict_is_found_out() -> None:
    """Where all parts feel the mean, a magnet 1.5 % weaker than it is leaves misfits far beyond doubt."""
    found = invert(run_with(MEAN_FIELD, 1e-3), stated(MEAN_FIELD, 1.30, 1e-3))
    inputs = {f.key: f for f in found_inputs(found.bench, *found.z_sensitivity)}
    remanence = inputs["reference_magnet.remanence"]
    assert remanence.found == pytest.approx(1.32, abs=3 * remanence.u_found)
    assert remanence.u_found < 0.8 * remanence.u_stated
    # Of what the readings say nothing the file has the last word.
    warmth = inputs["reference_magnet.temperature_coefficient"]
    assert warmth.u_found == pytest.approx(warmth.u_stated, rel=0.02)


def test_a_bench_known_without_doubt_is_left_as_stated() -> None:
    bench = bench_of(LAYERS.magnet, LAYERS.pellet)
    magnet = replace(bench.reference_magnet, temperature_coefficient=Measured(-0.0011))
    bench = replace(bench, reference_magnet=magnet, site=replace(bench.site, temperature=Measured(293.15)))
    found = invert(run_with(LAYERS, 1e-3), bench)
    assert found.bench.keys == ("demagnetising factor",)
    np.testing.assert_allclose(found.H_applied, weighed(LAYERS).H_applied, rtol=2e-4, atol=20.0)


def test_a_bench_far_from_what_is_stated_is_said_to_be_inconsistent() -> None:
    """Contact gap stated 0.4 mm wrong to within 0.05 mm."""
    bench = reclaimed_bench()
    run = noisy_run(3, TanhLoop(250e3, 45e3, 8e3), np.geomspace(1e-3, 30e-3, 16))
    wrong = replace(bench, gap=replace(bench.gap, contact=Measured(1.4e-3, 0.05e-3)))
    run = replace(run, gap=run.gap + 0.4e-3)
    codes = [w.code for w in analyse(run, wrong, trials=50).warnings]
    assert "bench-inconsistent" in codes
    clean = analyse(replace(run, gap=run.gap - 0.4e-3), bench, trials=50)
    assert "bench-inconsistent" not in [w.code for w in clean.warnings]
    rows = clean.to_json()["bench_conditioned"]
    assert {"input", "stated", "u_stated", "found", "u_found", "shift_in_u"} == set(rows[0])


def test_answers_foretell_what_another_statement_does() -> None:
    """The contact gap stated 0.05 u larger, all else alike, against a repeated inversion: so little that no
    coefficient comes to its bound or leaves it, up to where alone the answers hold."""
    bench = reclaimed_bench()
    points = find_outliers(noisy_run(4, gaps=np.geomspace(1e-3, 30e-3, 14)), bench).points
    first = invert(points, bench)
    base = invert(points, bench, settled=first.settled)
    contact = bench.gap.contact
    u, step = contact.u, 0.05
    moved_bench = replace(bench, gap=replace(bench.gap, contact=Measured(contact.value + step * u, u)))
    moved = invert(replace(points, gap=points.gap + step * u), moved_bench, settled=first.settled)
    i = base.bench.keys.index("gap.contact")
    # Found counts from what is stated: the same place is a step less.
    found = moved.bench.z[i] + step - base.bench.z[i]
    assert found == pytest.approx(step * base.z_sensitivity.d_prior[i, i], abs=0.1 * step)
    assert base.z_sensitivity.d_prior[i, i] < 0.9


def test_a_taken_off_sample_that_demagnetises_itself_is_named() -> None:
    bench = reclaimed_bench()
    run = noisy_run(3, TanhLoop(250e3, 45e3, 8e3), np.geomspace(1e-3, 30e-3, 14))
    for ladder, expected in (("lift", False), ("spacers", True)):
        on = replace(bench, gap=replace(bench.gap, ladder=ladder))
        codes = [w.code for w in analyse(run, on, trials=50).warnings]
        assert ("taken-off-demagnetises" in codes) is expected
