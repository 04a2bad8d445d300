"""The person at the bench: takes the sample off, turns it, sets spacers, presses the zero key.

Each act is a little story written as a generator: it does something, then says for how many seconds
of the bench's time it is busy. People take human seconds and touch things while they act.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any, Protocol

from .balance import BalanceTwin
from .bench_file import Scenario
from .coil import TwinCoil
from .disturbances import Disturbances

Story = Generator[float, None, Any]


class CannotDo(Exception):
    """The act makes no sense now; the message says why."""


class Handled(Protocol):
    """What a person finds on the bench."""

    scenario: Scenario
    ladder: str
    balance: BalanceTwin
    disturbances: Disturbances
    sample_on: bool
    coil: TwinCoil | None
    supply: float
    magnet_away: bool
    spacers: int
    extra_load: list[tuple[float, float]]

    @property
    def orientation(self) -> int: ...

    @orientation.setter
    def orientation(self, orientation: int) -> None: ...

    @property
    def now(self) -> float:
        """The bench's time, s."""
        ...

    def take_off(self) -> None:
        """The sample leaves its holder."""
        ...

    def put_on(self) -> None:
        """The sample stands on its holder."""
        ...

    def move_seat(self, x: float, y: float) -> None:
        """Sample and coil stand there, m."""
        ...

    def hang_coil(self, end: int | None) -> None:
        """The coil hangs in the sample's place, that end down; None: it does not."""
        ...


class Person:
    """Hands for a bench. ``pace`` stretches every act: 1 is a practised hand."""

    def __init__(self, bench: Handled, pace: float = 1.0) -> None:
        self.bench, self.pace = bench, pace

    def _hands_at_work(self, seconds: float, level: float = 0.4) -> Story:
        """Hands near and on the bench for a while: the load jitters by about ``level`` g."""
        self.bench.disturbances.hand_level = level
        yield seconds * self.pace
        self.bench.disturbances.hand_level = 0.0

    def remove_sample(self) -> Story:
        """Take the sample off its holder, straight up and away; nothing where it is off already."""
        if not self.bench.sample_on:
            return
        yield from self._hands_at_work(1.2)
        self.bench.take_off()
        yield from self._hands_at_work(0.8, 0.1)

    def place_sample(self, orientation: int | None = None) -> Story:
        """Put the sample on; ``orientation`` +1 or -1, or as it is in the hand."""
        if orientation not in (None, 1, -1):
            raise CannotDo(f"orientation {orientation!r} is neither 1 nor -1")
        if self.bench.sample_on:
            if orientation in (None, self.bench.orientation):
                return
            raise CannotDo("the sample is on the other way: turn it over")
        if self.bench.coil is not None and self.bench.coil.on:
            raise CannotDo("the coil hangs in the sample's place: take it off first")
        yield from self._hands_at_work(1.5, 0.1)
        if orientation is not None:
            self.bench.orientation = orientation
        self.bench.put_on()
        yield from self._hands_at_work(1.0)
        self.bench.disturbances.placed()

    def turn_over(self, place: bool | None = None) -> Story:
        """Turn the sample over: in its holder if it is on, else in the hand.

        ``place`` says whether it is on its holder afterwards; without it, as it was before.
        """
        was_on = self.bench.sample_on
        if was_on:
            yield from self.remove_sample()
        yield 1.5 * self.pace
        self.bench.orientation = -self.bench.orientation
        if place or (place is None and was_on):
            yield from self.place_sample()

    def set_spacers(self, n: int) -> Story:
        """Leave ``n`` spacers between the closest position and now; the rest go under the magnet."""
        bench = self.bench
        if bench.ladder != "spacers":
            raise CannotDo("this bench has a lift, no spacers")
        if bench.sample_on:
            raise CannotDo("take the sample off before the spacers are changed")
        if not isinstance(n, int) or not 0 <= n <= len(bench.scenario.shims):
            raise CannotDo(f"n = {n!r} is not a count from 0 to {len(bench.scenario.shims)}")
        # A practised hand moves several at a time.
        yield from self._hands_at_work(3.0 + 0.3 * abs(n - bench.spacers), 3.0)
        bench.spacers = n
        yield 0.5 * self.pace
        bench.disturbances.placed()

    def place_coil(self, end: int = 1) -> Story:
        """Hang the coil in the sample's place, end +1 or -1 down."""
        coil = self._coil()
        if end not in (1, -1):
            raise CannotDo(f"end {end!r} is neither 1 nor -1")
        if self.bench.sample_on:
            raise CannotDo("take the sample off before the coil is hung in its place")
        if coil.on and coil.end == end:
            return
        yield from self.remove_coil()
        yield from self._hands_at_work(3.0, 0.2)
        self.bench.hang_coil(end)
        yield from self._hands_at_work(1.0)
        self.bench.disturbances.placed()

    def remove_coil(self) -> Story:
        """Take the coil off; nothing where it is off already."""
        if self._coil().on:
            yield from self._hands_at_work(1.5)
            self.bench.hang_coil(None)
            yield from self._hands_at_work(0.8, 0.1)

    def move_seat(self, x_mm: float, y_mm: float = 0.0) -> Story:
        """Turn the seat's two screws until sample and coil stand there, from where they stood at first."""
        yield from self._hands_at_work(3.0, 0.2)
        self.bench.move_seat(float(x_mm) * 1e-3, float(y_mm) * 1e-3)
        yield from self._hands_at_work(0.5)

    def set_current(self, mA: float) -> Story:
        """Set a laboratory supply in the coil's plug, negative with the switch turned; 0 turns it off."""
        self._coil()
        yield 2.0 * self.pace
        self.bench.supply = float(mA) * 1e-3

    def _coil(self) -> TwinCoil:
        if self.bench.coil is None:
            raise CannotDo("this bench has no coil")
        return self.bench.coil

    def turn_magnet(self) -> Story:
        """Turn the magnet over: off the pan with its riser and back on; the sample must be away."""
        if self.bench.sample_on:
            raise CannotDo("take the sample off before the magnet is turned")
        yield from self._hands_at_work(0.8, 3.0)
        self.bench.magnet_away = True
        yield 4.0 * self.pace
        self.bench.magnet_away = False
        self.bench.orientation = -self.bench.orientation
        yield from self._hands_at_work(1.0, 3.0)
        self.bench.disturbances.placed()

    def tap(self, grams: float = 30.0, times: int = 2) -> Story:
        """Tap the pan with a finger."""
        yield 1.0 * self.pace
        for _ in range(times):
            self.bench.extra_load.append((self.bench.now + 0.4, float(grams)))
            yield 0.9

    def press_zero(self) -> Story:
        """Press the key on the balance."""
        yield from self._hands_at_work(0.3, 0.2)
        yield 1.0 * self.pace
        self.bench.balance.press_zero()
        yield 0.2 * self.pace
