"""From what the bank computes to the standard uncertainty that is stated. All in resolutions and seconds."""

from __future__ import annotations

import itertools
import math

import numpy as np

from ..records.arrays import Floats
from .bench_past import BenchPast
from .settings import (
    BANDS,
    BREATH_LEFT,
    BREATHS_SEEN,
    CALM,
    DRAUGHT_AT_FIRST,
    DRAUGHT_TRUST,
    FIRST_TIME,
    KNOWN_DRAUGHT,
    KNOWN_TRUST,
    LEFT_SHARE,
    LIVELY,
    MOST_LIVELY,
    OF_TODAY,
    RARE,
    RARE_SHARE,
    TRANSIENT_TIME,
    TRUST,
    WATCHED,
)

_MIDDLES = np.array([math.sqrt(a * b) for a, b in itertools.pairwise(BANDS)])


def restless(lively: float) -> float:
    """Factor on a variance for readings that scatter over the predicted by ``lively`` (mean square)."""
    return min(max(lively, 1.0), MOST_LIVELY) ** LIVELY


def of_a_bench_just_met(variances: Floats, age: float, watched: float) -> float:
    """Variance of the level on a bench watched for ``watched`` s; ``variances`` (2,) are what models without
    and with draughts say of it, ``age`` (s) how long the level has stood."""
    draught = DRAUGHT_TRUST + (DRAUGHT_AT_FIRST - DRAUGHT_TRUST) * FIRST_TIME / (FIRST_TIME + age)
    variance = TRUST**2 * variances[0] + draught**2 * variances[1]
    return float(variance) * (1 + (WATCHED / watched) ** 2)


def of_a_known_bench(variances: Floats, slow: float, restless: float, grown: float) -> float:
    """Variance of the level where the past says how much slow noise (variance ``slow``) there is; ``grown``
    is what a bench more restless than that adds: then models with draughts are believed. What they say far
    beyond the models without is a draught of today, and counts in full where the past knows of less."""
    without, draughts = restless * variances
    draught = 1.0 if grown > 0 else KNOWN_DRAUGHT
    slow_part = max(draught**2 * draughts + slow, draughts - OF_TODAY * without)
    return float(KNOWN_TRUST**2 * without + slow_part) + grown


def slow_noise(past: BenchPast, resolution: float, age: float) -> float:
    """Variance left of the past's slow noise in a level seen for ``age`` s: each band is averaged from about
    half its period on."""
    wander = np.square(past.wander) / resolution**2
    return float(np.sum(wander / (1 + np.square(2 * _MIDDLES * age))))


def jumped(past: BenchPast, resolution: float, age: float) -> float:
    """Variance for the chance that a level of ``age`` s is a jump of the bench that has not gone back yet.

    The jumps stand for exponential times, so that the chance falls with age: a long look is a second look.
    """
    if past.jump_share <= 0:
        return 0.0
    there = past.jump_share * math.exp(-age / past.jump_stay)
    there /= there + 1 - past.jump_share
    return (past.jump_size / resolution) ** 2 * (there + (RARE_SHARE * there / (there + RARE)) ** 2)


def breath_left(amplitude: float, frequency: float, age: float, across: float) -> float:
    """Standard deviation left by breathing of ``amplitude`` at ``frequency`` (Hz) in a level ``age`` s old
    whose readings lie within ``across``. A breath goes through twice its amplitude: where they do not, only
    a part of one was seen, and of a part the frequency is not known either."""
    if amplitude <= 0:
        return 0.0
    seen = age * frequency * min(across / (2 * amplitude), 1.0)
    return BREATH_LEFT * amplitude / max(seen, BREATHS_SEEN) ** 2


def left_of_change(moved: float, stands: float, age: float) -> float:
    """Standard deviation left of the change before a level, ``age`` s after that began, which must stand for
    ``stands`` s. It dies exponentially, as slowly as it went, by ``moved`` in the first CALM s."""
    time = max(LEFT_SHARE * stands, TRANSIENT_TIME)
    return moved * math.exp(-age / time) / -math.expm1(-CALM / time)
