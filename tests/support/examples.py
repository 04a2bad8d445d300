"""What is tried: all of it in the whole, a part of it in the loop after each edit."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TypeVar

A = TypeVar("A")
B = TypeVar("B")


def examples(most: int) -> int:
    """``most``, or a quarter of it in ``make check``; drawn again each time, so that many checks try many."""
    return max(most // 4, 5) if os.environ.get("WEIGHLOOP_QUICK") else most


def pairs(rows: Sequence[A], columns: Sequence[B]) -> list[tuple[A, B]]:
    """Every row with every column, or, in ``make check``, each column with one of the rows in turn."""
    quick = bool(os.environ.get("WEIGHLOOP_QUICK"))
    return [
        (row, column)
        for i, row in enumerate(rows)
        for j, column in enumerate(columns)
        if not quick or j % len(rows) == i
    ]
