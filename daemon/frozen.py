"""Frozen records that change with every event."""

from __future__ import annotations

from typing import Any, TypeVar

T = TypeVar("T")


def replace(record: T, /, **changes: Any) -> T:
    """``dataclasses.replace`` in a tenth of the time, for frozen records that do nothing as they begin.

    What a ``cached_property`` has worked out is kept where the fields stay that its class's ``MADE_OF``
    names for it. Raises TypeError for a name that is no field.
    """
    kept = record.__dict__
    if unknown := changes.keys() - type(record).__dataclass_fields__.keys():  # pyright: ignore[reportAttributeAccessIssue]
        raise TypeError(f"{type(record).__name__} has no {', '.join(sorted(unknown))}")
    new = object.__new__(type(record))
    new.__dict__.update(kept)
    new.__dict__.update(changes)
    for name, fields in getattr(record, "MADE_OF", {}).items():
        if name in kept and not fields.isdisjoint(changes):
            del new.__dict__[name]
    return new
