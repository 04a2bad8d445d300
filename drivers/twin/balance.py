"""A balance of the force-compensating kind: the pan is held at its place by a coil's current.

The closed loop answers like a damped oscillator, a filter of the balance's own smooths its
current, and the display is a rounded figure with the balance's opinion whether it stands still.
No automatic zero tracking: it would eat slow changes, which are what is weighed here.
Loads and figures in g.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import cos, exp, pi, sin, sqrt

import numpy as np

from .disturbances import Normals


@dataclass(frozen=True)
class BalanceMaker:
    """What kind of balance: g, Hz, s."""

    resolution: float = 0.001
    capacity: float = 220.0
    rate: float = 10.0
    natural_frequency: float = 4.0
    damping: float = 0.7
    averaging: float = 0.4
    noise: float = 0.0004
    stable_within: float = 3.0  # resolution steps
    stable_for: float = 1.5
    #: The smallest load the loop can hold: below, the pan hangs on its upper stop.
    underload: float = -5.0


@dataclass(frozen=True)
class Shown:
    """One figure as the balance shows it; ``value`` (g) is None where it has none to show."""

    value: float | None
    mark: str  # steady, unsteady, overload, underload


class BalanceTwin:
    """Fed with the load on the pan, step by step; read at its own rate."""

    def __init__(self, maker: BalanceMaker, seed: np.random.SeedSequence, dt: float) -> None:
        self.maker, self.dt = maker, dt
        self.normals = Normals(seed)
        # Exact step of x'' + 2 zeta w x' + w^2 x = w^2 load for a load constant over dt.
        w, zeta = 2 * pi * maker.natural_frequency, maker.damping
        wd, decay = w * sqrt(1 - zeta**2), exp(-zeta * w * dt)
        c, s = decay * cos(wd * dt), decay * sin(wd * dt)
        self._xx, self._xv = c + zeta * w / wd * s, s / wd
        self._vx, self._vv = -(w**2) / wd * s, c - zeta * w / wd * s
        self.x = self.v = 0.0
        n = max(1, round(maker.averaging / dt))
        self._window: deque[float] = deque([0.0] * n, maxlen=n)
        # The stated noise is that of the figure: the average over the window brings it down again.
        self._noise = maker.noise * sqrt(n)
        self._recent: deque[float] = deque(maxlen=max(2, round(maker.stable_for * maker.rate)))
        self.zero = 0.0
        #: The figure on the display: what the balance sends, whenever it is asked.
        self.shown = Shown(0.0, "unsteady")

    def settle(self, load: float) -> None:
        """Stand still under a load, as after an hour."""
        self.x, self.v = load, 0.0
        self._window.extend([load] * len(self._window))
        self._recent.clear()

    def step(self, load: float) -> None:
        d = self.x - load
        self.x = load + self._xx * d + self._xv * self.v
        self.v = self._vx * d + self._vv * self.v
        self._window.append(self.x + self._noise * self.normals.next())

    @property
    def gross(self) -> float:
        """The smoothed load, g, before zero and rounding."""
        return sum(self._window) / len(self._window)

    def press_zero(self) -> None:
        """Take the present load as zero."""
        self.zero = self.gross
        self._recent.clear()

    def refresh(self) -> None:
        """Show the next figure; call at the balance's own rate."""
        self.shown = self._figure()

    def _figure(self) -> Shown:
        gross = self.gross
        if gross > self.maker.capacity:
            self._recent.clear()
            return Shown(None, "overload")
        if gross < self.maker.underload:
            self._recent.clear()
            return Shown(None, "underload")
        step = self.maker.resolution
        value = round((gross - self.zero) / step) * step + 0.0  # no minus before a zero
        self._recent.append(value)
        full = len(self._recent) == self._recent.maxlen
        calm = full and max(self._recent) - min(self._recent) <= (self.maker.stable_within + 0.5) * step
        return Shown(value, "steady" if calm else "unsteady")
