"""How a loop answers to its inputs, against doing the thing itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.models import recoil
from tests.support.models.forward import Pellet
from tests.support.models.loops import TanhLoop, noisy_run, reclaimed_bench
from weighloop.analysis.figures import sensitivities as inputs
from weighloop.analysis.figures.independent_inputs import birge_ratio, independent_inputs
from weighloop.analysis.figures.model_error import of_forces
from weighloop.analysis.inversion.invert import invert
from weighloop.analysis.magnetostatics import bench_linearisation as bench_model
from weighloop.analysis.outliers.screen import find_outliers
from weighloop.analysis.records.bench import Sample
from weighloop.analysis.units import Measured

BENCH = reclaimed_bench()


@pytest.fixture(scope="module")
def whole():
    arranged = find_outliers(noisy_run(2, TanhLoop(), np.geomspace(1e-3, 30e-3, 16)), BENCH)
    # By plain means, where the readings have no say in the bench.
    estimate = invert(arranged.points, BENCH, "mean")
    centre, _, shared = inputs.shared_inputs(estimate, BENCH)
    return arranged, estimate, centre, {s.key: s for s in shared}


def test_remanence_scales_field_and_magnetisation(whole):
    """F = integral of M dB/dz: a magnet stronger by 1.5 % is a field stronger by as much and an M weaker."""
    _, _, centre, shared = whole
    first_order, part = shared["reference_magnet.remanence"].first_order, 0.02 / 1.32
    np.testing.assert_allclose(
        centre.part("H_down", first_order), part * centre.part("H_down"), rtol=1e-3, atol=1.0
    )
    flat = np.abs(centre.part("M_down")) > 0.98 * np.abs(centre.part("M_down")).max()
    np.testing.assert_allclose(
        centre.part("M_down", first_order)[flat], -part * centre.part("M_down")[flat], rtol=0.1
    )


def test_temperature_is_strength(whole):
    """-0.11 %/K (sintered NdFeB, check values section 4) and 1 K: a fifteenth of 1.5 % of remanence."""
    _, _, centre, shared = whole
    by_kelvin = centre.part("H_down", shared["site.temperature"].first_order)
    by_remanence = centre.part("H_down", shared["reference_magnet.remanence"].first_order)
    np.testing.assert_allclose(by_kelvin, by_remanence * (-0.0011 / (0.02 / 1.32)), rtol=1e-6, atol=1e-6)


def test_a_model_is_off_by_much_the_same_along_a_stretch(whole):
    """Each force by half of four parts in a thousand at least; the next reading's by nearly as much, the far
    end's by something else. A slope over a short way, the recoil permeability's, then knows little of it."""
    _, estimate, _, _ = whole
    points = estimate.points
    root = of_forces(replace(estimate, evidence={"misfit": 0.01}))
    rows = np.flatnonzero((np.array(points.branch) == "descending") & points.used)
    rows = rows[np.argsort(estimate.H_applied[rows])]
    covariance = root[rows] @ root[rows].T
    size = np.sqrt(np.diag(covariance))
    pulled = np.abs(points.force[rows])  # of one sign over a cylinder: what pulls is the force
    np.testing.assert_allclose(size[pulled > 1e-3], 0.002 * pulled[pulled > 1e-3], rtol=0.02)
    alike = covariance / np.outer(size, size)
    apart = np.subtract.outer(estimate.H_applied[rows], estimate.H_applied[rows])
    near = np.abs(apart) < 0.05 * np.ptp(estimate.H_applied[rows])
    assert (alike[near] > 0.9).all()
    assert abs(alike[0, -1]) < 1e-9
    # Readings that miss the model by three times what any may: every force by as much more.
    more = of_forces(replace(estimate, evidence={"misfit": 9.0}))
    np.testing.assert_allclose(more, 6.0 * root)


def test_gravity_is_proportion(whole):
    """100 m of altitude are -3.1e-5 of g (free air, 3.086e-6 1/s^2; NGA.STND.0036): 50 m half of it."""
    _, _, centre, shared = whole
    M, first_order = centre.part("M_down"), centre.part("M_down", shared["site.altitude"].first_order)
    flat = np.abs(M) > 0.98 * np.abs(M).max()
    np.testing.assert_allclose(first_order[flat] / M[flat], -3.086e-6 * 50 / 9.81, rtol=0.05)


def test_density_answers_to_mass_and_sizes(whole):
    _, _, centre, shared = whole
    density = centre.part("density")[0]
    assert centre.part("density", shared["sample.mass"].first_order)[0] == pytest.approx(density / 412)
    assert centre.part("density", shared["sample.diameter"].first_order)[0] == pytest.approx(
        -2 * density * 0.02 / 6, rel=1e-3
    )


def test_demagnetising_factor_is_as_sure_as_said():
    """N of an evenly susceptible disc, by the second model's cells: 0.5 % from susceptibility 0 to 0.3."""
    tensor, weight = Pellet("cylinder", 6e-3, 3e-3, rings=8, layers=12).layered_tensor()
    zero = weight @ tensor.sum(axis=1)
    chi = 0.3
    m = np.linalg.solve(np.eye(len(weight)) + chi * tensor, np.full(len(weight), chi))
    change = (1 / (weight @ m) - 1 / chi) / zero - 1
    assert change == pytest.approx(-0.005, abs=0.001)
    # A rectangle from 0 to it has a standard deviation of its width by sqrt(12); from -it to +it, by sqrt(3).
    assert abs(change) / np.sqrt(12) < bench_model.U_DEMAGNETISING < 1.2 * abs(change) / np.sqrt(3)


@pytest.mark.costly
@pytest.mark.parametrize("shape", ["cylinder", "sphere", "block"])
def test_the_mirror_stands_for_the_image(shape, whole):
    """Against the whole calculation (``recoil``), within 30 % at the small gaps where it matters."""
    _, estimate, _, _ = whole
    size = Measured(4e-3)
    sample = {
        "cylinder": BENCH.sample,
        "sphere": Sample("WP-07-4", "sphere", size, diameter=size),
        "block": Sample("WP-07-5", "block", Measured(2e-3), length=size, width=Measured(3e-3)),
    }[shape]
    bench = replace(BENCH, sample=sample)
    at = np.flatnonzero(estimate.points.gap < 3e-3)[:6:2]  # three gaps on one passage
    by_mirror = np.sqrt(3.0) * inputs._force_of_image(estimate, bench)[at]
    whole_pull = recoil.image_pull(bench.reference_magnet, sample, estimate.points.gap[at], estimate.M[at])
    np.testing.assert_allclose(by_mirror, whole_pull, rtol=0.3)


def test_each_spacer_stacks_up(whole):
    """The own thickness of every shim under the sample adds, on all passages alike."""
    arranged, estimate, _, _ = whole
    counts = np.round((arranged.points.gap - 1e-3) / 1e-3)
    points = replace(estimate.points, spacers=counts)
    own = {
        o.key: o
        for o in independent_inputs(
            arranged.zeros, replace(estimate, points=points), BENCH, birge_ratio(estimate)
        )
    }
    root = own["each spacer"].root
    assert root.shape == (len(counts), int(counts.max()))
    np.testing.assert_array_equal((root != 0).sum(axis=1), counts)
    # Two rows at one gap on two passages answer to the same shims.
    twice = np.flatnonzero(counts == counts.max())
    np.testing.assert_array_equal(root[twice[0]] != 0, root[twice[1]] != 0)


def test_inputs_without_uncertainty_have_no_part(whole):
    _, estimate, _, _ = whole
    sure = replace(BENCH, gap=replace(BENCH.gap, contact=Measured(1e-3)))
    estimate = invert(estimate.points, sure, "mean")
    _, _, shared = inputs.shared_inputs(estimate, sure)
    assert "gap.contact" not in {s.key for s in shared}
