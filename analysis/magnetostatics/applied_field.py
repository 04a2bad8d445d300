"""The reference magnet's field at every node of the sample, row by row, and what the nodes weigh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..constants import MU0
from ..records.arrays import Floats
from ..records.bench import Bench
from ..records.points import Points
from .demagnetising_factor import demagnetising_factor
from .quadrature import Rule, layers, mean_field, rule_of_layers, volume
from .reference_magnet import REMANENCE_TEMPERATURE, on_axis


@dataclass(frozen=True, eq=False)
class NodeField:
    """What each part of the sample sees and how much it pulls; SI.

    ``H`` (n, q): applied field along the sample's own axis at node q, A/m. ``pull`` (n, q): force
    per magnetisation of the node, N/(A/m), so that F = sum(pull * M). ``weights`` (q,) sum to one;
    ``nodes`` (q, 3) in m, z from the sample's lower face; ``N`` is the demagnetising factor along the
    axis, ``volume`` in m³.
    """

    H: Floats
    pull: Floats
    weights: Floats
    nodes: Floats
    N: float
    volume: float

    @property
    def H_mean(self) -> Floats:
        """Volume mean of the applied field, (n,), A/m."""
        return self.H @ self.weights

    @property
    def pull_mean(self) -> Floats:
        """Force per magnetisation of the whole sample, were it uniform: (n,), N/(A/m)."""
        return self.pull.sum(axis=1)

    def pulled(self, force: Floats, M: Floats) -> Floats:
        """How much is pulled at each row, either way, N, by ``force`` (n,) and volume mean ``M`` (n,): over a
        ring the parts' pulls may cancel, and what is not known of them does not."""
        return np.maximum(np.abs(force), np.abs(self.pull).sum(axis=1) * np.abs(M))

    def rows(self, index: NDArray[np.intp]) -> NodeField:
        """The same for some of the rows."""
        return NodeField(self.H[index], self.pull[index], self.weights, self.nodes, self.N, self.volume)


def node_field(points: Points, bench: Bench, rule: Rule | None = None) -> NodeField:
    """Field and pull at every row of ``points``; the magnet's remanence follows each row's temperature.

    Force on the sample, attraction positive: F = -orientation * integral of M dBz/dz over its volume.
    ``rule``: nodes chosen before (``rule_for``), so that slightly different benches are told apart by
    nothing else.
    """
    magnet, sample = bench.reference_magnet, bench.sample
    gaps, back = np.unique(bench.gap.of_sample(points.gap, points.orientation), return_inverse=True)
    known = np.isfinite(gaps)
    # Without any gap the fields stay unknown.
    rule = rule_for(points, bench) if rule is None else rule
    q = layers(magnet, sample, gaps[known] if known.any() else [bench.gap.contact.value], rule=rule)
    Bz, dBz = (np.full((len(gaps), len(q.weights)), np.nan) for _ in range(2))
    if known.any():
        Bz[known], dBz[known] = q.Bz, q.dBz
    kelvin = np.where(np.isfinite(points.temperature), points.temperature, bench.site.temperature.value)
    strength = 1.0 + magnet.temperature_coefficient.value * (kelvin - REMANENCE_TEMPERATURE)
    facing = (points.orientation * strength)[:, None]
    body = volume(sample)
    return NodeField(
        facing * Bz[back] / MU0,
        -facing * dBz[back] * (body * q.weights),
        q.weights,
        rule.points,
        demagnetising_factor(sample).axial,
        body,
    )


def rule_for(points: Points, bench: Bench) -> Rule:
    """Nodes for these rows: chosen for the closest gap there is, else for the closest position."""
    known = points.gap[np.isfinite(points.gap)]
    closest = float(known.min()) if len(known) else bench.gap.contact.value
    return rule_of_layers(bench.reference_magnet, bench.sample, closest)


def field_table(bench: Bench, gap: Floats) -> dict[str, Floats]:
    """Field (T) and gradient (T/m) of the reference magnet at gaps (n,) in m: on the axis at the height of
    the sample's centre, and averaged over the sample; (n,) by name. Raises ValueError for a gap below zero.
    """
    if np.any(gap < 0):
        raise ValueError("a gap is not negative: it runs from face to face")
    magnet, sample = bench.reference_magnet, bench.sample
    B, gradient, _ = on_axis(magnet, gap + sample.height.value / 2)
    B_mean, gradient_mean = mean_field(magnet, sample, gap)
    return {
        "gap_m": gap,
        "B_axis_T": B,
        "gradient_axis_T_per_m": gradient,
        "B_mean_T": B_mean,
        "gradient_mean_T_per_m": gradient_mean,
    }
