"""The filter over a recorded stream."""

from __future__ import annotations

from collections.abc import Sequence

from ..records.arrays import Floats
from .settling_filter import SettlingFilter
from .settling_state import Settling


def settle_stream(
    time: Floats,
    reading: Floats,
    mark: Sequence[str | None] | None,
    resolution: float,
    target: float,
) -> Settling:
    """The first acceptance in a stream, or the last state if it ends first.

    ``time`` (s) and ``reading`` (kg, NaN where the balance showed no number), arrays of shape (n,);
    ``mark`` the balance's opinion, n entries or None. ``resolution`` and ``target`` in kg. Nothing
    after the accepted reading is looked at.
    """
    settling = SettlingFilter(resolution, target)
    state: Settling | None = None
    for k, (t, y) in enumerate(zip(time, reading, strict=True)):
        state = settling.feed(float(t), float(y), mark[k] if mark is not None else None)
        if state.accepted:
            return state
    if state is None:
        return Settling(0.0, False, "no readings", "the stream has no readings")
    return state
