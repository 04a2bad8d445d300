"""The sample's own field, against other ways of working it out."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.support.models.forward import Pellet
from weighloop.analysis.constants import MU0
from weighloop.analysis.magnetostatics.demagnetising_factor import demagnetising_factor
from weighloop.analysis.magnetostatics.demagnetising_field import (
    HYPOTHESES,
    LOCAL,
    SHAPE,
    demagnetising_field,
)
from weighloop.analysis.magnetostatics.quadrature import sample_nodes
from weighloop.analysis.records.bench import Sample
from weighloop.analysis.units import Measured

DISC = Sample("WP-07-1", "cylinder", Measured(3e-3), diameter=Measured(6e-3))
SAMPLES = (
    DISC,
    Sample("WP-07-2", "block", Measured(3e-3), length=Measured(6e-3), width=Measured(4e-3)),
    Sample("WP-07-3", "sphere", Measured(3e-3), diameter=Measured(3e-3)),
    Sample("WP-07-4", "spheroid", Measured(3e-3), diameter=Measured(5e-3)),
    Sample("WP-07-5", "cylinder", Measured(9e-3), diameter=Measured(2.5e-3)),
)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)
@pytest.mark.parametrize("name", HYPOTHESES)
def test_an_evenly_magnetised_body_feels_n_on_average(sample: Sample, name: str) -> None:
    """N: magnetometric factors (check values, section 1), which ``demag`` is held to elsewhere."""
    nodes, weights = sample_nodes(sample, 8, symmetry="quadrant")
    own = demagnetising_field(name, sample, nodes, weights)
    H_local = own.own + float(own.interaction_field(np.ones((1, len(weights))))[0] @ weights)
    assert H_local == pytest.approx(demagnetising_factor(sample).axial, rel=1e-6)


def test_a_sphere_magnetised_in_proportion_to_height() -> None:
    """M = z in a sphere of radius 1 feels -(3/5) z, worked by hand: the volume's charge, -1 throughout, makes
    H_z = -z/3; the surface's, z^2 = 1/3 + (2/3) P2, the potential (2/15) r^2 P2 inside, so H_z = -(4/15) z.
    """
    sphere = SAMPLES[2]
    nodes, weights = sample_nodes(sphere, 12, symmetry="axis")
    own = demagnetising_field(SHAPE, sphere, nodes, weights)
    M = (nodes[:, 2] - 1.5e-3)[None, :] / 1.5e-3
    H_local = own.own * M + own.interaction_field(M)
    assert float((H_local * M)[0] @ weights / ((M * M)[0] @ weights)) == pytest.approx(3 / 5, rel=0.02)


def test_a_disc_magnetised_unevenly_against_the_second_model() -> None:
    """The second model's rings and layers, each a pair of coaxial current sheets (``forward``)."""
    pellet = Pellet(rings=5, layers=10)
    x, _, z, weight = pellet.nodes()
    # That model counts heights from the far face.
    tensor, _ = pellet.layered_tensor()
    nodes = np.stack([x, np.zeros_like(x), z], axis=1)
    own = demagnetising_field(SHAPE, DISC, nodes, weight)
    for M in (z / 3e-3, np.tanh((z - 1.2e-3) / 0.6e-3), 1.0 - 0.5 * (x / 3e-3) ** 2):
        ours = own.own * M + own.interaction_field(M[None, :])[0]
        theirs = tensor @ M
        # In the rings next to the rim and the faces a mean over a ring and its middle differ.
        assert np.sqrt(weight @ (ours - theirs) ** 2) < 0.03 * np.abs(M).max()
        assert weight @ (M * ours) == pytest.approx(float(weight @ (M * theirs)), rel=0.01)


@pytest.mark.parametrize("height", [1.2e-3, 3e-3])
def test_a_disc_that_turns_over_at_one_field_against_the_second_model(height: float) -> None:
    """Where all parts feel the same field M gathers at the edges, and the mean M is larger than by N."""
    pellet = Pellet(height=height, rings=9, layers=10)
    tensor, weight = pellet.layered_tensor()
    theirs = weight @ np.linalg.solve(tensor, np.ones(len(weight)))
    disc = Sample("WP-07-1", "cylinder", Measured(height), diameter=Measured(6e-3))
    nodes, w = sample_nodes(disc, 8, symmetry="axis")
    own = demagnetising_field(SHAPE, disc, nodes, w)
    whole = own.own * np.eye(len(w)) + own.interaction_field(np.eye(len(w))).T
    ours = w @ np.linalg.solve(whole, np.ones(len(w)))
    assert ours == pytest.approx(theirs, rel=0.02)
    assert ours > 1.03 / own.own


@pytest.mark.parametrize("symmetry", ["axis", "quadrant"])
def test_a_block_magnetised_unevenly_against_magpylib(symmetry) -> None:
    """Thirty layers, each magnetised evenly: magpylib's closed form for boxes, H at the nodes."""
    from magpylib.magnet import Cuboid

    a, b, height, count = 6e-3, 4e-3, 3e-3, 30
    faces = np.linspace(0.0, height, count + 1)
    whole, weights = sample_nodes(SAMPLES[1], 10, symmetry="quadrant")
    nodes, w = sample_nodes(SAMPLES[1], 10, symmetry=symmetry)
    own = demagnetising_field(SHAPE, SAMPLES[1], nodes, w)
    for profile in (lambda z: z / height, lambda z: np.tanh((z - 1.2e-3) / 0.6e-3)):
        theirs = np.zeros(len(weights))
        for low, high in pairwise(faces):
            M = float(profile(0.5 * (low + high)))
            layer = Cuboid(polarization=(0, 0, MU0 * M), dimension=(a, b, high - low))
            layer.position = (0.0, 0.0, 0.5 * (low + high))
            theirs -= layer.getH(whole)[:, 2]
        of = profile(nodes[:, 2])
        ours = own.own * of + own.interaction_field(of[None, :])[0]
        at = profile(whole[:, 2])
        assert w @ (of * ours) == pytest.approx(float(weights @ (at * theirs)), rel=0.01)
        assert w @ (nodes[:, 2] * ours) == pytest.approx(float(weights @ (whole[:, 2] * theirs)), rel=0.01)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)
@pytest.mark.parametrize("symmetry", ["axis", "quadrant"])
def test_magnetisation_never_feeds_itself(sample: Sample, symmetry) -> None:
    """The energy of any body's own field is positive and below that of an infinite plate (common knowledge of
    the trade, no source): T has its eigenvalues in 0 ... 1."""
    nodes, w = sample_nodes(sample, 8, symmetry=symmetry)
    own = demagnetising_field(SHAPE, sample, nodes, w)
    values = np.linalg.eigvals(own.own * np.eye(len(w)) + own.interaction_field(np.eye(len(w))).T)
    assert np.abs(values.imag).max() < 1e-6
    assert values.real.min() > 0.0
    assert values.real.max() < 1.0


@pytest.mark.parametrize("name", HYPOTHESES)
def test_low_rank_answers_are_the_whole_ones(name: str) -> None:
    """Woodbury's identity against a solution node by node."""
    rng = np.random.default_rng(0)
    nodes, weights = sample_nodes(DISC, 6, symmetry="axis")
    own, q = demagnetising_field(name, DISC, nodes, weights), len(weights)
    slope, rows = rng.uniform(0.0, 1.5, (3, q)), rng.standard_normal((3, q))
    whole = [np.eye(q) + s[:, None] * own.interaction_field(np.eye(q)).T for s in slope]
    np.testing.assert_allclose(
        own.answered(slope, rows),
        [np.linalg.solve(A, r) for A, r in zip(whole, rows, strict=True)],
        atol=1e-9,
    )
    np.testing.assert_allclose(
        own.undone(slope, rows),
        [np.linalg.solve(A.T, r) for A, r in zip(whole, rows, strict=True)],
        atol=1e-9,
    )


def test_each_by_itself_feels_n_times_its_own() -> None:
    nodes, weights = sample_nodes(DISC, 4, symmetry="axis")
    M = np.linspace(-1.0, 1.0, len(weights))[None, :]
    part = demagnetising_field(LOCAL, DISC, nodes, weights)
    assert part.own == pytest.approx(demagnetising_factor(DISC).axial)
    assert not part.interaction_field(M).any()
