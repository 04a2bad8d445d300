"""What the reference magnet's recoil permeability does: second-order effects, both a few parts in a thousand.

A permanent magnet is not quite rigid. Its polarisation sags a little in its own demagnetising field, and the
sample magnetises it a little more, which adds a small attraction whatever the sample's orientation: the pull
of the sample's own image.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from weighloop.analysis.constants import MU0
from weighloop.analysis.magnetostatics.demagnetising_factor import prism
from weighloop.analysis.magnetostatics.quadrature import Symmetry, sample_nodes, volume
from weighloop.analysis.magnetostatics.reference_magnet import (
    axial_field_and_gradient,
    cylinders,
    half_sides,
    is_round,
)
from weighloop.analysis.records.bench import ReferenceMagnet, Sample
from weighloop.analysis.units import Measured

Floats = NDArray[np.float64]

#: Step for the derivative of the energy with the gap, relative to the gap and at least this long, m.
_STEP, _LEAST_STEP = 0.01, 2e-6


def image_pull(magnet: ReferenceMagnet, sample: Sample, gaps: ArrayLike, M: ArrayLike) -> Floats:
    """Extra attraction (N), (n,), of a sample of magnetisation ``M`` (n,) in A/m at ``gaps`` (n,) in m.

    First order in chi = recoil permeability - 1: the energy of a weakly magnetisable body in the sample's
    field is -(mu0 chi/2) int H^2 dV over the magnet (Landau & Lifshitz, Electrodynamics of Continuous Media,
    section 11, from memory), and the pull is its derivative with the gap. For a magnet much larger than the
    sample it goes over into the pull of a mirror image of strength chi/(chi + 2), as it must. A spheroid is
    taken as the cylinder of its height and volume. Not corrected by itself: subtract it from the measured
    force, or carry it as uncertainty.
    """
    chi = magnet.recoil_permeability.value - 1
    at, M = np.atleast_1d(np.asarray(gaps, float)), np.atleast_1d(np.asarray(M, float))
    radius = np.sqrt(_cross_section(sample) / np.pi)
    outline = ReferenceMagnet("cylinder", sample.height, Measured(1.0), diameter=Measured(2 * radius))
    round_pair = is_round(magnet) and sample.shape != "block"
    points, volumes = _inside(magnet, "axis" if round_pair else "quadrant", outline)
    pull = np.empty(at.shape)
    for i, gap in enumerate(at):
        step = max(_STEP * gap, _LEAST_STEP)
        energies = [
            float(np.sum(volumes * np.sum(_sample_field(sample, points, gap + d) ** 2, axis=1)))
            for d in (-step, step)
        ]
        pull[i] = -chi / (2 * MU0) * (energies[1] - energies[0]) / (2 * step)
    return pull * (MU0 * M) ** 2


def working_polarisation(magnet: ReferenceMagnet) -> float:
    """Mean polarisation (T) the magnet keeps in its own demagnetising field.

    The remanence of a data sheet is that of a closed circuit; standing free, J = Br/(1 + N chi), with chi the
    recoil permeability less one. Fields here take the bench file's remanence as J; a calibrated one is J.
    """
    chi = magnet.recoil_permeability.value - 1
    return magnet.remanence.value / (1 + own_factor(magnet) * chi)


def own_factor(magnet: ReferenceMagnet) -> float:
    """The magnet's own axial demagnetising factor: N = 1 - <Bz>/J over its volume."""
    if not is_round(magnet):
        a, b = half_sides(magnet)
        return prism(2 * a, 2 * b, magnet.height.value)
    points, volumes = _inside(magnet, "axis", magnet)
    Bz = axial_field_and_gradient(magnet, points)[0]
    return 1 - float(Bz @ volumes / volumes.sum()) / magnet.remanence.value


def _inside(magnet: ReferenceMagnet, symmetry: Symmetry, edges: ReferenceMagnet) -> tuple[Floats, Floats]:
    """Points (q, 3) inside the magnet, z < 0, and the volumes (q,) they stand for (negative in a hole)."""
    if is_round(magnet):
        bodies = [
            (sign * np.pi * R**2, Sample("", "cylinder", magnet.height, diameter=Measured(2 * R)))
            for sign, R in cylinders(magnet)
        ]
    else:
        a, b = half_sides(magnet)
        bodies = [
            (4 * a * b, Sample("", "block", magnet.height, length=Measured(2 * a), width=Measured(2 * b)))
        ]
    points, volumes = [], []
    for area, body in bodies:
        at, weights = sample_nodes(body, 12, symmetry=symmetry, magnet=edges, levels=3)
        points.append(at * np.array([1.0, 1.0, -1.0]))
        volumes.append(weights * area * magnet.height.value)
    return np.concatenate(points), np.concatenate(volumes)


def _sample_field(sample: Sample, points: Floats, gap: float) -> Floats:
    """Field (q, 3) in T of the sample, of polarisation 1 T, at points below it (magpylib)."""
    import magpylib as magpy

    height = sample.height.value
    polarization, position = (0.0, 0.0, 1.0), (0.0, 0.0, gap + height / 2)
    if sample.shape == "block":
        assert sample.length is not None
        assert sample.width is not None
        sides = (sample.length.value, sample.width.value, height)
        body = magpy.magnet.Cuboid(polarization=polarization, dimension=sides, position=position)
    elif sample.shape == "sphere":
        body = magpy.magnet.Sphere(polarization=polarization, diameter=height, position=position)
    else:
        diameter = 2 * np.sqrt(_cross_section(sample) / np.pi)
        body = magpy.magnet.Cylinder(
            polarization=polarization, dimension=(diameter, height), position=position
        )
    return np.asarray(body.getB(points), float).reshape(-1, 3)


def _cross_section(sample: Sample) -> float:
    """Volume / height, m^2."""
    return volume(sample) / sample.height.value
