"""What a person's hands say through the pan while a hands-free run is under way: levels, and taps.

Taps are taken by what stood on the screen when the first of them came; if the run has gone on meanwhile they
say nothing, but for the three that open the list. While a row of taps or the list is under way, levels say
nothing either and no reading is taken.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from ...drivers.device import BalanceReading
from ..procedure.events import Asked, BenchState, Level, Record, Tapped
from ..procedure.run import RunRecord
from ..protocol import RunState, TapList
from .plateau import Levels
from .tap_counter import Taps
from .tap_menu import BY_TAPS, OPEN, Words, all_else, at_once, listens, told

#: A list closes, and nothing is changed, when so long nothing was tapped, s by the clock.
CLOSES: Final = 15.0
#: For so long it is told that taps could not be counted, s by the clock.
UNSURE: Final = 5.0

#: What was said: something for the procedure, or an entry in the log.
Said = Level | Tapped | Asked | Record
#: What a word was said to: run, its state and the task under way.
Place = tuple[int, RunState, int]


class HandsFreeInput:
    """Hears readings one by one, in the conductor's thread."""

    def __init__(self) -> None:
        self.use(math.inf, math.inf, 0.0)  # of no bench yet: hears nothing

    def use(self, capacity: float, resolution: float, least: float) -> None:
        """Listen at a balance; ``least`` is the least change that counts as another level. All in kg."""
        self.taps, self.levels = Taps(capacity, resolution), Levels(least)
        self._list: Words | None = None
        self._touched = 0.0  # when the list was opened or tapped at last
        self._unsure: float | None = None  # when taps could not be counted
        self._since = -math.inf  # when the reading under way began
        self._place: Place | None = None  # now
        self._tapped_at: Place | None = None  # as the row under way began
        self._was_engaged = False

    def reading_begins(self, time: float) -> None:
        """From now on hands should be off."""
        self._since = time
        self.levels.reset()

    @property
    def engaged(self) -> bool:
        """Whether the pan is being tapped, or the list is open: not the time to take a reading."""
        if self._list is not None or self.taps.heard:
            return True
        return self.taps.began is not None and self.taps.began >= self._since

    def let_go(self) -> bool:
        """Whether hands have left the pan since this was asked last."""
        before, self._was_engaged = self._was_engaged, self.engaged
        return before and not self._was_engaged

    def look(self, now: float, run: RunRecord | None, stage: BenchState) -> None:
        """Close the list where its time is over, or the run has gone on."""
        place = None if run is None else (run.id, run.state, stage.serial)
        if place != self._place:
            self._place, self._list = place, None
            self.levels.reset()  # what was shown before something was asked says nothing of it
        if self.taps.began is None and now - self._touched > CLOSES:
            self._list = None
        if self._unsure is not None and now - self._unsure > UNSURE:
            self._unsure = None

    def hear(self, reading: BalanceReading, run: RunRecord | None, stage: BenchState) -> Iterator[Said]:
        """One reading; what was said with it."""
        self.look(reading.time, run, stage)
        level = self.levels.feed(reading.time, reading.value)
        if run is None or not listens(run):
            return
        before, presses = self.taps.began, self.taps.heard
        count = self.taps.feed(reading.time, reading.value, reading.mark)
        if before is None:
            self._tapped_at = self._place
        if count == 0 and presses > 1:
            self._unsure = reading.time  # of fewer nobody knows whether they were meant
        elif self.taps.heard or count:
            self._unsure = None
        if count is not None:
            yield from self._counted(count, reading.time, run, stage)
        elif level is not None and not self.taps.heard and self._list is None and _by_hand(stage):
            yield Level(level, self.levels.width)

    def _counted(self, count: int, now: float, run: RunRecord, stage: BenchState) -> Iterator[Said]:
        self._touched = now
        if count < 2:
            return  # a touch, or nobody knows how many
        opened, self._list = self._list, None
        if opened is None and count == OPEN:
            self._list = all_else(run, stage)
        elif self._tapped_at == self._place:
            word = (opened or at_once(run, stage)).by(count)
            match word.does if word is not None else None:
                case Words() as further:
                    self._list = further
                case Asked() as asked:
                    assert word is not None
                    yield Record("taps", f"{BY_TAPS.capitalize()}: {word.text}", {"taps": count})
                    yield asked
                case Tapped() | Record() as said:
                    yield said
                case None:
                    pass

    def told(self, run: RunRecord | None, stage: BenchState) -> TapList | None:
        """What taps say now, as clients see it; None where nobody listens."""
        if run is None or not listens(run):
            return None
        return told(
            self._list or at_once(run, stage),
            self._list is not None,
            self.taps.heard,
            self._unsure is not None,
        )


def _by_hand(stage: BenchState) -> bool:
    return stage.task is not None and stage.task.by_hand
