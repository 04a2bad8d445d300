"""The loop that a plan predicts by, before anything is weighed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from ..errors import NotPossible
from ..records.arrays import Floats, KnownArray, for_all
from ..records.points import Branch
from .settings import ASSUMED_COERCIVITY, ASSUMED_SQUARENESS, HARD_FERRITE_SATURATION


@dataclass(frozen=True, eq=False)
class AssumedLoop:
    """The descending branch taken for prediction: M (A/m) over the internal field (A/m), rising."""

    H: Floats
    M: Floats
    saturation: float

    @classmethod
    def of(cls, M_assumed: float | None, loop: tuple[ArrayLike, ArrayLike] | None) -> AssumedLoop:
        """From an earlier pass, else M = Ms tanh((H + Hc)/w) of a middling ferrite."""
        if loop is not None:
            H, M = (np.asarray(a, float) for a in loop)
            known = np.isfinite(H) & np.isfinite(M)
            if known.sum() < 3:
                raise NotPossible("an earlier loop needs at least 3 points to plan by")
            H, M = H[known], M[known]
            order = np.argsort(H)
            H, M = H[order], np.maximum.accumulate(M[order])
            return cls(H, M, M_assumed or float(np.max(np.abs(M))))
        saturation = M_assumed or HARD_FERRITE_SATURATION
        width = ASSUMED_COERCIVITY / np.arctanh(ASSUMED_SQUARENESS)
        H = np.linspace(-8, 8, 400) * ASSUMED_COERCIVITY
        return cls(H, saturation * np.tanh((H + ASSUMED_COERCIVITY) / width), saturation)

    def at(self, applied: Floats, N: float, branch: Branch) -> Floats:
        """M (A/m) in the applied fields (n,), demagnetisation included.

        Solves M = f(H - N M) by halving: f rises, so there is one solution. The ascending branch is the
        descending one turned about the origin; the first curve runs midway between the two.
        """
        return _solved(KnownArray(self.H), KnownArray(self.M), KnownArray(applied), N, branch)


@lru_cache(maxsize=64)
def _solved(H: KnownArray, M: KnownArray, applied: KnownArray, N: float, branch: Branch) -> Floats:
    """As ``at``; a plan asks for the same fields again and again."""
    top = float(np.max(np.abs(M.array)))
    low, high = np.full(applied.array.shape, -top), np.full(applied.array.shape, top)
    for _ in range(50):
        middle = (low + high) / 2
        above = _branch(H.array, M.array, applied.array - N * middle, branch) > middle
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return for_all((low + high) / 2)


def _branch(H_of: Floats, M_of: Floats, H: Floats, branch: Branch) -> Floats:
    if branch == "descending":
        return np.interp(H, H_of, M_of)
    if branch == "ascending":
        return -np.interp(-H, H_of, M_of)
    return (np.interp(H, H_of, M_of) - np.interp(-H, H_of, M_of)) / 2
