"""The random inputs of a loop: what every reading, zero, gap and spacer is off by for itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..forces.force import force
from ..forces.zeros import Zeros
from ..inversion.loop import LoopEstimate
from ..inversion.methods import MEAN
from ..records.arrays import Floats
from ..records.bench import Bench
from . import model_error
from .settings import OWN_OF_SPACER, U_GAP

#: Words for what readings and gaps bring in, and for what the balance's zero does: read for each reading, or
#: followed through the run.
READINGS, GAP_SETTING = "readings", "setting of each gap"
ZEROS, FOLLOWED_ZERO = "zeros", "zero of the balance and its drift"


@dataclass(frozen=True, eq=False)
class IndependentInput:
    """A random input with a value of its own for every row, zero or spacer: force error = root @ z, N.

    ``root`` (n, r), or (n,) where each row has one of its own: the diagonal.
    """

    key: str
    words: str
    root: Floats

    def felt(self, answer: Floats) -> Floats:
        """What values that answer to the forces by ``answer`` (l, n) are off by: (l, r)."""
        return answer * self.root if self.root.ndim == 1 else answer @ self.root

    def variance(self, answer: Floats) -> Floats:
        """Their variance (l,)."""
        if self.root.ndim == 1:
            return np.einsum("ln,ln,n->l", answer, answer, self.root**2)
        return np.square(answer @ self.root).sum(axis=1)


def birge_ratio(estimate: LoopEstimate) -> float:
    """By how much the readings scatter more about the fit than they say, at least 1: the Birge ratio.

    A fit that is as good as the readings claim has a reduced chi-square of 1; above, they claim too much
    (R. T. Birge, Phys. Rev. 40 (1932) 207, from memory).
    """
    # The first curve may start anywhere and is only shown.
    names = ("reduced_chi_square_descending", "reduced_chi_square_ascending")
    values = [estimate.evidence[name] for name in names if name in estimate.evidence]
    usable = [value for value in values if np.isfinite(value)]
    return float(np.sqrt(max(1.0, np.mean(usable)))) if usable else 1.0


def independent_inputs(
    zeros: Zeros, estimate: LoopEstimate, bench: Bench, scale: float
) -> tuple[IndependentInput, ...]:
    """The random inputs: readings, zeros, gaps, and each spacer's own thickness."""
    points = estimate.points
    newton = abs(force(1.0, bench))
    inputs = [IndependentInput("readings", READINGS, scale * newton * zeros.u_reading)]
    track = None if estimate.method_used == MEAN else zeros.track
    of_zeros = zeros.root if track is None else track.unknown
    if of_zeros.shape[1]:
        words = ZEROS if zeros.track is None else FOLLOWED_ZERO
        inputs.append(IndependentInput("zeros", words, newton * of_zeros))
    inputs.append(
        IndependentInput("model", "what any model of a sample is off by", model_error.of_forces(estimate))
    )
    inputs.append(gap_setting(estimate))
    spacer, counts = bench.gap.spacer, np.nan_to_num(points.spacers)
    if spacer is not None and spacer.u > 0 and counts.any():
        stack = np.arange(int(counts.max()))[None, :] < counts[:, None]
        root = force_by_gap(estimate)[:, None] * stack * (OWN_OF_SPACER * spacer.u)
        inputs.append(IndependentInput("each spacer", "thickness of each single spacer", root))
    return tuple(inputs)


def gap_setting(estimate: LoopEstimate) -> IndependentInput:
    """What each force is off by because its gap is not quite the one that was set."""
    return IndependentInput("gap setting", GAP_SETTING, force_by_gap(estimate) * U_GAP)


def force_by_gap(estimate: LoopEstimate) -> Floats:
    """dF/dgap at every row (n,), N/m, among those used; 0 at the others."""
    points = estimate.points
    rows, slope = np.flatnonzero(points.used), np.zeros(len(points))
    slope[rows] = points.force_by_gap(rows)
    return slope
