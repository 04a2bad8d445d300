"""What is to be drawn: marks, and pictures of a programme's result."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

#: Points and the name of a colour.
Curve = tuple[Sequence[tuple[float, float]], str]


@dataclass(frozen=True)
class Dot:
    """One point of the plot in the plot's own units (kA/m, and g or kA/m)."""

    x: float
    y: float
    u: float = 0.0
    orientation: int = 1
    leg: int = 0
    set_aside: bool = False


@dataclass(frozen=True)
class Picture:
    """One plot: what it is of, its ``axes``, and a ``legend`` for its signs.

    ``shade``: of places x, y the part of the largest value there, 0 or less where nothing is known.
    ``origin``: whether each axis shows its zero; ``decades``: x is a common logarithm.
    """

    of: str
    axes: str
    legend: str = ""
    curves: Sequence[Curve] = ()
    dots: Sequence[Dot] = ()
    shade: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None
    reach: tuple[tuple[float, float], ...] = ()  # places that the axes of a map take in
    origin: tuple[bool, bool] = (True, True)
    decades: bool = False
