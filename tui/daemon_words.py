"""Which of the daemon's action codes ask something of a person."""

from __future__ import annotations

from typing import Final

from ..daemon.protocol import ActionCode

ASKS_A_PERSON: Final[frozenset[ActionCode]] = frozenset(
    {"remove-sample", "place-sample", "set-spacers", "turn-over", "question"}
)
