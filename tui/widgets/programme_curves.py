"""What a programme gave as curves: points in the plot's units, each with the name of a colour."""

from __future__ import annotations

import math
from typing import Any

from .loop_plot import Dot

Curves = list[tuple[list[tuple[float, float]], str]]


def programme_curves(result: Any) -> tuple[str, Curves, list[Dot]]:
    """What the axes are, the curves, and the readings among them, of an ``analysis.programmes`` result."""
    found: Any = result.found
    match result.gives:
        case "decay":
            M = [float(m - found.M[0]) for m in found.M]
            dots = [Dot(math.log10(t), m) for t, m in zip(found.t, M, strict=True)]
            words = "change of M, A/m, over the decimal logarithm of time in s"
            return words, [([(d.x, d.y) for d in dots], "primary")], dots
        case "remanence":
            fields = found.H / 1e3
            both = ((found.acquired, "primary"), (found.left, "secondary"))
            curves = [(list(zip(fields, y / 1e3, strict=True)), colour) for y, colour in both]
            return "remanence acquired, and left in reverse, over the field, both kA/m", curves, []
        case _:
            family = found.curves
            pairs = zip(family.H / 1e3, family.M / 1e3, strict=True)
            recoil = result.gives == "recoil"
            curves = [
                ([(h, m) for h, m in zip(H, M, strict=True) if not recoil or h <= 0.0], "primary")
                for H, M in pairs
            ]
            return "M on the way back from each reverse field, over internal field, both kA/m", curves, []
