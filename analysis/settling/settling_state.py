"""What the settling filter says after every reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: Why a reading is not accepted yet, as a code; ``text`` of the state says it in words.
Reason = Literal[
    "accepted", "still settling", "drifting", "disturbed", "too noisy for the target", "no readings"
]


@dataclass(frozen=True, slots=True)
class Settling:
    """The state of the filter after one reading. Masses in kg, times in s (the stream's clock).

    ``value`` is the level at ``at``, net of disturbances, with standard uncertainty ``u`` and
    drift rate ``drift`` (kg/s); all None before there is an estimate. ``seconds_left`` is the
    filter's guess of the time to acceptance (None where it has none). ``event`` is set on the
    one reading at which a new level began: ``"level"`` (placed, moved, touched, re-zeroed), or
    at which one was found to be over: ``"moving"``.
    """

    at: float
    accepted: bool
    reason: Reason
    text: str
    value: float | None = None
    u: float | None = None
    drift: float | None = None
    u_drift: float | None = None
    breathing: float | None = None  # Hz
    seconds_left: float | None = None
    level_since: float | None = None
    event: Literal["moving", "level"] | None = None
