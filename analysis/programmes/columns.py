"""The curves of a programme in numbers, as people read them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..records.arrays import Floats
from .curves import RecoilResult, RemanenceResult

if TYPE_CHECKING:
    from .results import Found


@dataclass(frozen=True, eq=False)
class Column:
    """A column of a result's table: ``values`` (k,) and their ``u`` as people read them, NaN where there is
    none."""

    words: str
    unit: str
    values: Floats
    u: Floats | None = None

    @property
    def heading(self) -> str:
        """Words and unit over the column."""
        unit = f"({self.unit})" if "/" in self.unit else self.unit
        return f"{self.words} /{unit}" if unit else self.words


def headings(shown: Sequence[Column]) -> list[str]:
    """What stands over them, with a column of its own for the u of each that has one."""
    return [head for c in shown for head in ([c.heading] if c.u is None else [c.heading, "u"])]


def columns(found: Found) -> tuple[Column, ...]:
    """The curves of a result in numbers; none of a family or a decay, which are read off a drawing."""
    if isinstance(found, RecoilResult):
        return (
            Column("reverse field", "kA/m", -found.H_reverse / 1e3),
            Column("load line −B/μ₀H", "", found.load_line),
            Column("recoil permeability", "", found.permeability, found.u_permeability),
            Column("loss of flux", "%", 100.0 * found.loss, 100.0 * found.u_loss),
        )
    if isinstance(found, RemanenceResult):
        return (
            Column("field", "kA/m", found.H / 1e3),
            Column("acquired", "kA/m", found.acquired / 1e3, found.u_acquired / 1e3),
            Column("left", "kA/m", found.left / 1e3, found.u_left / 1e3),
            Column("difference /Mr", "", found.difference, found.u_difference),
        )
    return ()
