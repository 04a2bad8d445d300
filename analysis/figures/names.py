"""How the figures are called and in which units people read them and the bench; shared by every face.

CGS conversions after Goldfarb & Fickett, NBS SP 696 (1985): 1 Oe = 1000/(4 pi) A/m,
1 emu/cm³ = 1000 A/m, 1 emu/g = 1 A·m²/kg, 1 MGOe = 1e5/(4 pi) J/m³.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import pi
from typing import Any

from ..constants import OERSTED


@dataclass(frozen=True)
class FigureName:
    """A figure's name in words, its symbol as it is typed, and its units: (name, SI value of one)."""

    words: str
    symbol: str
    si: tuple[str, float]
    cgs: tuple[str, float]

    @property
    def printed(self) -> str:
        """The symbol as it is read in plain text: ``μrec``."""
        for typed, letter in _LETTERS:
            if self.symbol.startswith(typed):
                return letter + self.symbol.removeprefix(typed)
        return self.symbol

    @property
    def html(self) -> str:
        """The symbol with its subscripts: ``μ<sub>rec</sub>``."""
        return re.sub(r"([MHσμ]|\(BH\))(cJ|cB|cr|rec|max|5%|[skrci])", r"\1<sub>\2</sub>", self.printed)

    def unit(self, system: str = "si") -> str:
        return (self.cgs if system == "cgs" else self.si)[0]

    def shown(self, value: float, system: str = "si") -> float:
        """An SI value in the unit people read."""
        return value / (self.cgs if system == "cgs" else self.si)[1]


#: Letters that a keyboard lacks, at the beginning of a symbol.
_LETTERS = (("mu_", "μ"), ("sigma_", "σ"), ("rho", "ρ"), ("dH", "ΔH"), ("dM", "ΔM"), ("-B/mu_0", "−B/μ₀"))

_M = {"si": ("kA/m", 1e3), "cgs": ("emu/cm³", 1e3)}
_H = {"si": ("kA/m", 1e3), "cgs": ("Oe", OERSTED)}
_E = {"si": ("kJ/m³", 1e3), "cgs": ("MGOe", 1e5 / (4 * pi))}
_S = {"si": ("A·m²/kg", 1.0), "cgs": ("emu/g", 1.0)}
_1 = {"si": ("", 1.0), "cgs": ("", 1.0)}

#: Key in the JSON: its name. The order is the order in which figures are shown.
FIGURE_NAMES: dict[str, FigureName] = {
    "saturation_A_per_m": FigureName("saturation", "Ms", **_M),
    "remanence_A_per_m": FigureName("remanence", "Mr", **_M),
    "coercivity_HcJ_A_per_m": FigureName("coercivity of M", "HcJ", **_H),
    "coercivity_HcB_A_per_m": FigureName("coercivity of B", "HcB", **_H),
    "BHmax_J_per_m3": FigureName("largest energy product", "(BH)max", **_E),
    "squareness": FigureName("squareness", "Mr/Ms", **_1),
    "largest_field_A_per_m": FigureName("largest internal field", "Hmax", **_H),
    "loop_energy_J_per_m3": FigureName("loop energy", "W", **_E),
    "knee_field_Hk_A_per_m": FigureName("knee field", "Hk", **_H),
    "knee_squareness": FigureName("knee squareness", "Hk/HcJ", **_1),
    "recoil_permeability": FigureName("recoil permeability", "mu_rec", **_1),
    "switching_field_width": FigureName("width of switching fields", "dH/HcJ", **_1),
    "specific_saturation_A_m2_per_kg": FigureName("specific saturation", "sigma_s", **_S),
    "specific_remanence_A_m2_per_kg": FigureName("specific remanence", "sigma_r", **_S),
    "density_kg_per_m3": FigureName("density", "rho", si=("g/cm³", 1e3), cgs=("g/cm³", 1e3)),
}

#: How the bench's values are read, by the end of their key in its file: unit, what is added to SI, by what
#: the sum is multiplied.
_INPUTS = {
    "height": ("mm", 0.0, 1e3),
    "diameter": ("mm", 0.0, 1e3),
    "length": ("mm", 0.0, 1e3),
    "width": ("mm", 0.0, 1e3),
    "contact": ("mm", 0.0, 1e3),
    "spacer": ("mm", 0.0, 1e3),
    "remanence": ("T", 0.0, 1.0),
    "temperature": ("°C", -273.15, 1.0),
    "temperature_coefficient": ("%/K", 0.0, 100.0),
}


def input_shown(key: str, value: float, u: float) -> tuple[str, float, float]:
    """A bench file's value and its standard uncertainty, both SI, as people read them: unit, value, u."""
    unit, add, times = next((shown for end, shown in _INPUTS.items() if key.endswith(end)), ("", 0.0, 1.0))
    return unit, (value + add) * times, u * times


def side_of_bound(low95: float | None, high95: float | None) -> str:
    """On which side of a bound, of whose interval only one end is known, the true value is."""
    return "at most" if low95 is None and high95 is not None else "at least"


def rows_of(
    figures: Mapping[str, Any], names: Mapping[str, FigureName], units: str = "si"
) -> list[dict[str, Any]]:
    """Figures in the units people read, ``si`` or ``cgs``: one row each, in the order of ``names``."""
    rows: list[dict[str, Any]] = []
    for key, name in names.items():
        if key not in figures:
            continue
        f = figures[key]
        shown = {
            part: None if (v := getattr(f, part)) is None else name.shown(v, units)
            for part in ("value", "u", "low95", "high95")
        }
        rows.append(
            {"key": key, "name": name.words, "symbol": name.symbol, "unit": name.unit(units)}
            | shown
            | {"status": f.status, "why": f.why}
        )
    return rows
