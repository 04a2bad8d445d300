"""Texts that people read: numbers with a minus sign, and what no store can hold shown as its code."""

from __future__ import annotations

from typing import Any


def number(value: float, how: str) -> str:
    """A number formatted by ``how`` (``.3f``), with a minus sign and no hyphen: ``−12.346``."""
    return f"{value:{how}}".replace("-", "−")


def grams(kilograms: float) -> str:
    """A reading as a balance of milligrams shows it: ``−12.346 g``."""
    return f"{number(kilograms * 1e3, '.3f')} g"


def writable(value: Any) -> Any:
    """The same with what cannot be written as UTF-8 shown as its code: ``\\udce9``."""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode()
    if isinstance(value, dict):
        return {writable(key): writable(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [writable(inner) for inner in value]
    return value
