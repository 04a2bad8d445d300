"""How the main numbers of a programme are called, and in which units people read them."""

from __future__ import annotations

from ..figures.names import FigureName

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
