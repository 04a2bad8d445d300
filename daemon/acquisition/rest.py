"""What is kept of a balance at rest, so that the bench's slow noise can be learnt from its own past."""

from __future__ import annotations

from collections import deque

import numpy as np

from ...analysis.records.arrays import Floats
from ...analysis.settling.bench_past import BenchPast, learn_past, second_means
from ...drivers.device import BalanceReading
from .settings import HANDLED, LONGEST_STRETCH, REST_GAP, STRETCHES_KEPT


class RestWatch:
    """Collects stretches during which nobody handles the bench. One thread only; ``resolution`` in kg."""

    def __init__(self, resolution: float) -> None:
        self._resolution = resolution
        self._times: list[float] = []
        self._values: list[float] = []
        self._handled = False
        self._stretches: deque[tuple[Floats, Floats, bool]] = deque(maxlen=STRETCHES_KEPT)

    def feed(self, reading: BalanceReading, at_rest: bool) -> None:
        """One raw reading; ``at_rest`` is false while the lift moves or hands are asked for."""
        if not at_rest or reading.value is None:
            self.cut()
            return
        if self._times:
            step = reading.time - self._times[-1]
            moved = abs(reading.value - self._values[-1]) > HANDLED * self._resolution
            if moved or not 0 <= step < REST_GAP or reading.time - self._times[0] > LONGEST_STRETCH:
                self.cut(handled=moved)
        self._times.append(reading.time)
        self._values.append(reading.value)

    def cut(self, handled: bool = True) -> None:
        """The stretch ends here; ``handled`` whether what follows comes after hands or a move."""
        means = second_means(np.array(self._times), np.array(self._values))
        if len(means):
            self._stretches.append((np.arange(float(len(means))), means, self._handled))
        self._times.clear()
        self._values.clear()
        self._handled = handled

    def learnt(self) -> BenchPast | None:
        """What the stretches since the last call say; None if there are none. They are dropped."""
        self.cut(handled=False)
        past = learn_past(self._stretches, self._resolution)
        self._stretches.clear()
        return past
