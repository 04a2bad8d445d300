"""What is tried: all of it in the whole, a part of it in the loop after each edit."""

from __future__ import annotations

import os
import random
from collections.abc import Iterable, Sequence
from typing import TypeVar

A = TypeVar("A")
B = TypeVar("B")

QUICK = bool(os.environ.get("WEIGHLOOP_QUICK"))
#: Which part comes in turn: another in each session, the same in all its workers.
TURN = int(os.environ.setdefault("WEIGHLOOP_TURN", str(random.randrange(1000))))


def examples(most: int) -> int:
    """``most``, or a quarter of it in ``make check``; drawn again each time, so that many checks try many."""
    return max(most // 4, 5) if QUICK else most


def pairs(rows: Sequence[A], columns: Sequence[B]) -> list[tuple[A, B]]:
    """Every row with every column, or, in ``make check``, each column with one of the rows in turn."""
    return [
        (row, column)
        for i, row in enumerate(rows)
        for j, column in enumerate(columns)
        if not QUICK or (j + TURN) % len(rows) == i
    ]


def in_turn(cases: Iterable[A]) -> list[A]:
    """All, or, in ``make check``, every fourth beginning with one of the first four: four checks try all."""
    every = list(cases)
    return every[TURN % max(min(4, len(every)), 1) :: 4] if QUICK else every
