"""What a run is: a list of passages, each one way; and how a bench can do it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, get_args

from ..errors import Fault, InputError, nearest
from ..files.text import read_text
from ..files.toml_tables import read_tables

#: A field of this part of the largest or less is the far end, where a sample may be turned over.
FAR = 0.0
_KEYS = {"orientation", "from", "to", "wait_s"}
#: What a run can be read off for.
Kind = Literal["loop", "recoil", "remanence", "reversal", "decay"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True)
class FieldPassage:
    """One way of the field's strength, ``start`` to ``stop`` in parts of the largest; ``wait`` at its end,
    s."""

    orientation: Literal[1, -1]
    start: float
    stop: float
    wait: float = 0.0

    @property
    def inward(self) -> bool:
        """Whether the sample comes closer."""
        return self.stop > self.start


@dataclass(frozen=True)
class Programme:
    """A run by name: its passages in order, what it is in words, and what it ``gives``: what its readings are
    read off for."""

    name: str
    about: str
    passages: tuple[FieldPassage, ...]
    gives: Kind

    @property
    def turns(self) -> int:
        """How often the sample is turned over."""
        return sum(a.orientation != b.orientation for a, b in pairwise(self.passages))

    def to_json(self) -> dict[str, Any]:
        """Plain types only, the passages as in a file of programmes."""
        passages = [
            {"orientation": p.orientation, "from": p.start, "to": p.stop}
            | ({"wait_s": p.wait} if p.wait else {})
            for p in self.passages
        ]
        return {"name": self.name, "gives": self.gives, "about": self.about, "passages": passages}


@cache
def programmes() -> dict[str, Programme]:
    """The programmes that every bench has, by name."""
    text = files(__package__ or "").joinpath("programmes.toml").read_text(encoding="utf-8")
    return parse_programmes(text, "programmes.toml")


def programme(name: str, own: Mapping[str, Programme] | None = None) -> Programme:
    """A programme by name, of one's ``own`` first. Raises InputError for one there is not."""
    known = programmes() | dict(own or {})
    if name not in known:
        raise InputError("programme", [Fault("name", repr(name), nearest(name, known))])
    return known[name]


def read_programmes(path: Path) -> dict[str, Programme]:
    """The programmes of a file of one's own. Raises InputError as ``parse_programmes``."""
    return parse_programmes(read_text(path, "file of programmes"), str(path))


def parse_programmes(text: str, source: str) -> dict[str, Programme]:
    """The programmes of a TOML text. Raises InputError with every fault: a passage that goes nowhere, does
    not begin where the one before ended, or turns the sample over elsewhere than at the far end."""
    tables, faults = read_tables(text, source)
    found = {}
    for name, table in tables.items():
        rows = table.get("passages") if isinstance(table, dict) else None
        if not isinstance(rows, list) or not rows:
            faults.append(
                Fault(name, "no list of passages", "passages = [{ orientation = 1, from = 0, to = 1 }]")
            )
            continue
        gives = table.get("gives", name if name in KINDS else "recoil")
        if gives not in KINDS:
            faults.append(Fault(f"{name}, gives", repr(gives), f"one of {', '.join(KINDS)}"))
            continue
        passages = []
        for number, row in enumerate(rows, start=1):
            passage = _passage(row, f"{name}, passage {number}", faults)
            if passage is not None:
                passages.append(passage)
        faults += _path_faults(name, passages)
        found[name] = Programme(name, str(table.get("about", "")), tuple(passages), gives)
    if faults:
        raise InputError(source, faults)
    return found


def _passage(row: Any, where: str, faults: list[Fault]) -> FieldPassage | None:
    if not isinstance(row, dict) or not {"orientation", "from", "to"} <= row.keys() <= _KEYS:
        faults.append(Fault(where, repr(row), "orientation, from and to, and if need be wait_s"))
        return None
    orientation, start, stop, wait = row["orientation"], row["from"], row["to"], row.get("wait_s", 0.0)
    if orientation not in (1, -1) or isinstance(orientation, bool):
        faults.append(Fault(f"{where}, orientation", repr(orientation), "1 or -1"))
        return None
    for key, value, most in (("from", start, 1.0), ("to", stop, 1.0), ("wait_s", wait, 1e7)):
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= most:
            faults.append(Fault(f"{where}, {key}", repr(value), f"a number from 0 to {most:g}"))
            return None
    if start == stop and not wait:
        faults.append(Fault(where, f"goes from {start:g} to {stop:g}", "another field, or a wait there"))
        return None
    return FieldPassage(orientation, float(start), float(stop), float(wait))


def _path_faults(name: str, passages: list[FieldPassage]) -> Iterator[Fault]:
    for number, (before, after) in enumerate(pairwise(passages), start=2):
        where = f"{name}, passage {number}"
        if after.start != before.stop:
            yield Fault(where, f"begins at {after.start:g}", f"{before.stop:g}, where the one before ends")
        elif after.orientation != before.orientation and after.start > FAR:
            yield Fault(where, f"turns the sample over at {after.start:g}", "turned over at 0, the far end")
