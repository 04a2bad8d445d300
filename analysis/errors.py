"""What goes wrong with input, said so that a person can put it right."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One fault in an input: the place, what was found there, what would be right."""

    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.place}: {self.found}; expected {self.expected}"


class InputError(ValueError):
    """An input that cannot be used; carries every fault found, not only the first."""

    def __init__(self, source: str, faults: list[Fault]) -> None:
        self.source = source
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{source}: {fault}" for fault in faults))


class NotPossible(Exception):
    """The job cannot be done with what there is; the message says why and what would help."""
