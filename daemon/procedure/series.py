"""A list of runs started together, such as a night's, and when no more of them are begun."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Series:
    """``number`` is that of its first run. It ends at the deadline (UTC, ISO 8601), when its runs were held
    ``most_held`` times in all, or after a run whose zero moved by more than ``most_drift_kg``; None: never.
    """

    number: int
    deadline_utc: str | None = None
    most_held: int | None = None
    most_drift_kg: float | None = None

    @classmethod
    def of(cls, data: dict[str, Any] | None) -> Series | None:
        """As an entry of the log has it."""
        return None if data is None else cls(**data)
