"""Least squares whose unknowns are not negative: begun from a guess of which of them are zero, or bounded
from above besides."""

from __future__ import annotations

import numpy as np

from ..records.arrays import Bools, Floats
from .settings import AT_ONCE, MOST_BOUNDED, ROUNDING


def solved(normal: Floats, target: Floats) -> Floats:
    """The c at which normal @ c = target (K, ...), for a positive definite ``normal`` (K, K).

    By LAPACK itself: the problems are small and many, and what stands around it costs as much again.
    Raises ``numpy.linalg.LinAlgError`` where ``normal`` is not positive definite.
    """
    from scipy.linalg.lapack import dposv  # pyright: ignore[reportAttributeAccessIssue]

    if not len(target):
        return target.copy()
    _, c, info = dposv(normal, target)
    if info:
        raise np.linalg.LinAlgError(f"leading minor {info} of the matrix is not positive")
    return c


def nnls_warm(normal: Floats, target: Floats, free: Bools) -> Floats:
    """The c >= 0 (K,) at which c @ normal @ c / 2 - target @ c is least.

    ``normal`` (K, K) is positive definite. ``free`` (K,) guesses which are not zero: whatever it is the
    answer is the same, but near the truth it takes few steps. Those found negative are all held at zero; once
    none is, the steepest of the others are freed, as many as are free already, or one by one where that
    leads to no less (active sets: C. L. Lawson and R. J. Hanson, Solving Least Squares Problems, chapter 23,
    from memory, who free one at a time). Where that does not help, ``nnls_cold`` finds the same.
    """
    size = np.sqrt(np.diag(normal))
    free, least, one_by_one = free.copy(), np.inf, False
    while True:
        at = np.flatnonzero(free)
        c = np.zeros(len(target))
        c[at] = solved(normal[np.ix_(at, at)], target[at])
        if (c < 0.0).any():
            free &= c >= 0.0
            continue
        slope = normal[:, at] @ c[at] - target
        wrong = np.flatnonzero(~free & (slope < -ROUNDING * size * (size @ c)))
        if not len(wrong):
            return c
        reached = -0.5 * float(target @ c)
        if not reached < least:
            if one_by_one:
                break
            one_by_one = True
        least = reached
        steepest = wrong[np.argsort((slope / size)[wrong])]
        free[steepest[: 1 if one_by_one else max(len(at), 1)]] = True
    return nnls_cold(normal, target)


def nnls_cold(normal: Floats, target: Floats) -> Floats:
    """The same without a guess, by scipy."""
    from scipy.optimize import nnls

    # The same least squares by as few rows as there are unknowns.
    root = np.linalg.cholesky(normal).T
    return nnls(root, np.linalg.solve(root.T, target), maxiter=50 * len(target))[0]


def nnls_within(A: Floats, b: Floats, most: Floats, held: Bools) -> tuple[Floats, Bools]:
    """The c (K,) at which |A c - b| is least, all from 0 to ``most`` (K,) but the first, which may be any;
    and which are at their ``most``.

    ``held`` (K,) guesses which those are: whatever it is the answer is the same. Those found above their
    bounds are held there and the others found again; those held that would rather be smaller are let off;
    after a few rounds one at a time, the first (K. G. Murty, Opsearch 11 (1974) 123, from memory), as all at
    once may go round in a circle. Where that does not end, scipy's slower ``lsq_linear`` finds the same.
    """
    from scipy.optimize import lsq_linear, nnls

    size = np.linalg.norm(A, axis=0)
    for turn in range(MOST_BOUNDED):
        c = np.where(held, most, 0.0)
        # The first may have either sign: the difference of two that may not.
        unknown = np.hstack([A[:, ~held], -A[:, :1]])
        found, _ = nnls(unknown, b - A[:, held] @ most[held], maxiter=50 * len(most))
        c[~held] = found[:-1]
        c[0] -= found[-1]
        above = c > most
        smaller = held & (A.T @ (A @ c - b) > ROUNDING * size * (size @ np.abs(c)))
        wrong = above if above.any() and turn < AT_ONCE else above | smaller
        if not wrong.any():
            return c, held
        held = held ^ (wrong if turn < AT_ONCE else np.arange(len(c)) == np.argmax(wrong))
    lowest = np.append(-np.inf, np.zeros(len(most) - 1))
    c = np.clip(lsq_linear(A, b, (lowest, most), "bvls", max_iter=50 * len(most)).x, lowest, most)
    return c, c == most
