"""A run's line in words: what one looks for it by."""

from __future__ import annotations

from ..daemon.protocol import RunLine
from .format import date_time


def has_words(line: RunLine, words: str) -> bool:
    """Whether a run has all these words, in its number, sample, date, state or notes."""
    parts = [str(line["id"]), line["sample"], date_time(line["started_utc"]), line["state"]]
    text = " ".join([*parts, *line.get("notes", [])]).casefold()
    return all(word in text for word in words.casefold().split())
