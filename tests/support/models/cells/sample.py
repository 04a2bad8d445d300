"""A sample in a field: what its cells have in the end, each feeling the field, its own material and every
other cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bodies import Body
from .materials import Scaled

Floats = NDArray[np.float64]


@dataclass
class Sample:
    """Cells with a state. ``apply`` takes the sample from the field it is in to the next."""

    body: Body
    material: Scaled

    def __post_init__(self) -> None:
        """Never magnetised."""
        cells = len(self.body.volume)
        self.state = self.material.kind.start(cells)
        self.magnetisation = np.zeros(cells)
        self._felt = np.zeros(cells)
        self._own = self.body.tensor - self.material.mean_field * np.eye(cells)
        #: Largest residual, relative to saturation, that was ever left: how well the states are solved.
        self.worst = 0.0

    def _respond(self, felt: Floats) -> tuple[Floats, Floats]:
        state, m = self.material.kind.respond(self.state, felt / self.material.field)
        return state, m * self.material.saturation

    def apply(self, field: Floats) -> Floats:
        """Magnetisation of each cell in A/m once the applied field is ``field`` (A/m, by cell).

        Newton steps on the field each cell feels, h = field - own M(h), the slope of M from a second look a
        little further on; where a step
        does not help it is halved. Tolerance one part in a hundred thousand of saturation.
        """
        scale = float(np.max(self.material.saturation))
        step = 1e-3 * self.material.field
        felt = self._felt + (field - self._last if hasattr(self, "_last") else field) * 0.5
        state, m = self._respond(felt)
        left = felt - field + self._own @ m
        size = float(np.max(np.abs(left)))
        for _ in range(30):
            if size < 1e-5 * scale:
                break
            # Look further on the way from where the cell came: a hysteresis has another slope the other way.
            way = np.where(felt - left >= self._felt, 1.0, -1.0)
            slope = (self._respond(felt + way * step)[1] - m) / (way * step)
            slope = np.maximum(slope, 0)
            move = np.linalg.solve(np.eye(len(felt)) + self._own * slope, left)
            share = 1.0
            while True:
                trial = felt - share * move
                new_state, new_m = self._respond(trial)
                new_left = trial - field + self._own @ new_m
                new_size = float(np.max(np.abs(new_left)))
                if new_size < size or share < 0.1:
                    break
                share /= 2
            felt, state, m, left, size = trial, new_state, new_m, new_left, new_size
        self.worst = max(self.worst, size / scale)
        self.state, self.magnetisation, self._felt, self._last = state, m, felt, field
        return m

    @property
    def mean(self) -> float:
        """Volume average of the magnetisation in A/m."""
        return float(self.body.volume @ self.magnetisation / self.body.total)
