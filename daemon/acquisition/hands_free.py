"""What a person's hands say through the pan while a hands-free run is under way: levels, and taps.

Two taps of a finger say "done" to what is asked of the person; three hold the run. Two taps count for what
was asked when the first of them came; if the run has gone on meanwhile they change nothing. While the pan is
tapped no reading is taken. With a lift two taps say nothing: no tap moves the lift.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from ...analysis.settling import Settling
from ...drivers.device import BalanceReading
from ..procedure.events import Asked, BenchState, Level, Tapped
from ..procedure.next_task import action_of
from ..procedure.run import RunRecord
from ..protocol import RunState
from .plateau import Levels
from .tap_counter import Taps

#: Numbers of taps that mean something.
DONE, HOLD = 2, 3

#: Which task of which run is under way: run, its state, the task's number.
TaskKey = tuple[int, RunState, int]


class HandsFreeInput:
    """Follows the readings one by one, in the controller's thread."""

    def __init__(self) -> None:
        self.use(math.inf, math.inf, 0.0)  # no bench yet: nothing is recognised

    def use(self, capacity: float, resolution: float, least: float) -> None:
        """Follow a balance; ``least`` is the least change that counts as another level. All in kg."""
        self.taps, self.levels = Taps(capacity, resolution), Levels(least)
        self._since = -math.inf  # when the reading under way began
        self._task: TaskKey | None = None
        self._tapped_at: TaskKey | None = None  # the task as the row of taps under way began
        self._was_engaged = False

    def reading_begins(self, time: float) -> None:
        """From now on hands should be off."""
        self._since = time
        self.levels.reset()

    @property
    def engaged(self) -> bool:
        """Whether the pan is being tapped: not the time to take a reading."""
        return bool(self.taps.heard) or (self.taps.began is not None and self.taps.began >= self._since)

    def settled(self, settling: Settling | None) -> None:
        """A reading was accepted: what stood still since its level began was quiet."""
        if settling is not None and settling.level_since is not None:
            self.levels.quiet(settling.level_since)

    def released(self) -> bool:
        """Whether hands have left the pan since the last call."""
        before, self._was_engaged = self._was_engaged, self.engaged
        return before and not self._was_engaged

    def follow(self, run: RunRecord | None, stage: BenchState) -> None:
        """Note which task is under way."""
        task = None if run is None else (run.id, run.state, stage.serial)
        if task != self._task:
            self._task = task
            self.levels.reset()  # what was shown before something was asked says nothing of it

    def hear(
        self, reading: BalanceReading, run: RunRecord | None, stage: BenchState
    ) -> Iterator[Level | Tapped | Asked]:
        """Take one reading; yields what it completes."""
        self.follow(run, stage)
        level = self.levels.feed(reading.time, reading.value)
        if run is None or not run.hands_free or run.state not in ("running", "held"):
            return
        before = self.taps.began
        count = self.taps.feed(reading.time, reading.value, reading.mark)
        if before is None:
            self._tapped_at = self._task
        if count == HOLD and run.state == "running":
            yield Asked("hold", "by taps")
        elif count == DONE and self._tapped_at == self._task and _waits_for_done(run, stage):
            yield Tapped()
        elif count is None and level is not None and not self.taps.heard and _by_hand(stage):
            yield Level(level, self.levels.width)


def _by_hand(stage: BenchState) -> bool:
    return stage.task is not None and stage.task.by_hand


def _waits_for_done(run: RunRecord, stage: BenchState) -> bool:
    """Whether the person is asked to do something; a question needs its answer, and no tap gives it."""
    action = action_of(run, stage)
    return run.ladder == "spacers" and action["needs_confirm"] and action["code"] != "question"
