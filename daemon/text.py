"""Texts of the program's own that may carry what no store can hold: file names, errors that name them."""

from __future__ import annotations

from typing import Any


def writable(value: Any) -> Any:
    """The same with what cannot be written as UTF-8 shown as its code: ``\\udce9``."""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode()
    if isinstance(value, dict):
        return {writable(key): writable(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [writable(inner) for inner in value]
    return value
