"""How colours look to the colour-blind, and how far apart two of them are.

Simulation: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291,
doi 10.1109/TVCG.2009.113, severity 1.0, on linear sRGB. Distance: CIE 1976 L*a*b* (CIE 15), white D65.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SIMULATED: Final[dict[str, Floats]] = {
    "all colours": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
#: Linear sRGB to CIE XYZ (IEC 61966-2-1); its rows' sums are the white.
XYZ: Final = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]],
)


def linear(srgb: Any) -> Floats:
    """Linear light of sRGB values from 0 to 1 (..., 3) (IEC 61966-2-1)."""
    value = np.asarray(srgb, float)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def seen(rgb: Floats, vision: str) -> Floats:
    """Linear light (..., 3) as somebody of that colour vision sees it."""
    return np.clip(rgb @ SIMULATED[vision].T, 0.0, 1.0)


def of_hex(colour: str) -> Floats:
    """Linear light of ``#rrggbb``."""
    return linear([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])


def lab(rgb: Floats) -> Floats:
    """L*, a*, b* of linear light (..., 3)."""
    part = rgb @ XYZ.T / XYZ.sum(axis=1)
    root = np.where(part > (6 / 29) ** 3, np.cbrt(part), part / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = np.moveaxis(root, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def apart(one: str, other: str, vision: str) -> float:
    """Distance of two colours in L*a*b* as seen."""
    return float(np.linalg.norm(lab(seen(of_hex(one), vision)) - lab(seen(of_hex(other), vision))))


def contrast(one: str, other: str, vision: str) -> float:
    """Contrast of two colours as seen (WCAG 2.1, 1.4.3)."""
    low, high = sorted(float(seen(of_hex(colour), vision) @ XYZ[1]) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)
