"""How the main numbers and the curves of a programme are called, and in which units people read them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..figures.names import FigureName
from ..records.arrays import Floats
from .curves import RecoilResult, RemanenceResult

if TYPE_CHECKING:
    from .results import Found

_FIELD = {"si": ("kA/m", 1e3), "cgs": ("kA/m", 1e3)}
_M = {"si": ("A/m", 1.0), "cgs": ("A/m", 1.0)}
_PLAIN = {"si": ("", 1.0), "cgs": ("", 1.0)}
#: By key: in words, symbol, units.
NAMES: dict[str, FigureName] = {
    "field_of_loss_A_per_m": FigureName("reverse field, 5 % loss", "H5%", **_FIELD),
    "load_line_of_loss": FigureName("load line, 5 % loss", "-B/mu_0H", **_PLAIN),
    "recoil_permeability": FigureName("recoil permeability", "mu_rec", **_PLAIN),
    "remanence_A_per_m": FigureName("saturation remanence", "Mr", **_FIELD),
    "remanence_coercivity_A_per_m": FigureName("remanence coercivity", "Hcr", **_FIELD),
    "largest_difference": FigureName("largest difference /Mr", "dM", **_PLAIN),
    "coercive_field_A_per_m": FigureName("mean coercive field", "Hc", **_FIELD),
    "interaction_field_A_per_m": FigureName("mean interaction field", "Hi", **_FIELD),
    "viscosity_A_per_m": FigureName("viscosity coefficient", "S", **_M),
}


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
