"""What a person should look at, with the rows it is about."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Warning:
    """Something a person should look at: a code for programs, a sentence, the rows it is about."""

    code: str
    text: str
    rows: tuple[int, ...] = ()


def about_rows(code: str, rows: Iterable[int], text: str) -> Warning:
    """A warning whose sentence starts with the rows it is about."""
    numbers = tuple(int(row) for row in rows)
    return Warning(code, f"{rows_in_words(numbers)}: {text}", numbers)


def rows_in_words(rows: tuple[int, ...]) -> str:
    """Rows in words: ``row 7``, ``rows 7-9, 14``."""
    if len(rows) == 1:
        return f"row {rows[0]}"
    parts: list[str] = []
    start = last = rows[0]
    for row in (*rows[1:], None):
        if row is not None and row == last + 1:
            last = row
            continue
        parts.append(str(start) if start == last else f"{start}-{last}")
        if row is not None:
            start = last = row
    return "rows " + ", ".join(parts)
