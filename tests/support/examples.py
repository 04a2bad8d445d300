"""How many examples a property is tried on: all in the whole, a quarter in the loop after each edit."""

from __future__ import annotations

import os


def examples(most: int) -> int:
    """``most``, or a quarter of it in ``make check``; drawn again each time, so that many checks try many."""
    return max(most // 4, 5) if os.environ.get("WEIGHLOOP_QUICK") else most
