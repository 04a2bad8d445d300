"""The gap setter's blocking calls, made in a thread of their own and answered with an event."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from typing import Protocol

from ...drivers.device import DeviceError
from ...drivers.gap_setter import GapPosition, GapSetter
from ...drivers.lift.lift import SerialLift
from ...drivers.spacers import ManualSpacers
from ..procedure.events import CurrentFailed, CurrentFlows, Event, LiftFailed, Stands, Task

log = logging.getLogger(__name__)


class Mover(Protocol):
    """Does the gap setter's blocking calls somewhere and answers with an event."""

    def begin(self, task: Task) -> None: ...

    def asked(self, count: int) -> None: ...

    def confirm(self, task: Task) -> None: ...

    def stop(self) -> None: ...


class GapWorker:
    """The gap setter's blocking calls, one after the other in a thread of their own."""

    def __init__(self, setter: Callable[[], GapSetter | None], happen: Callable[[Event], None]) -> None:
        """``setter`` gives the one of the moment; ``happen`` hears how each task ended."""
        self._setter, self._dispatch = setter, happen
        self._tasks: queue.SimpleQueue[Task] = queue.SimpleQueue()
        # Serials of the task handed over last, under way, confirmed as done, and the last that does not count
        # any more: a confirmation may come before the thread has got as far.
        self._last = self._now = self._confirmed = self._stopped = 0
        self._thread = threading.Thread(target=self._work, name="mover", daemon=True)
        self._thread.start()

    def begin(self, task: Task) -> None:
        """Do it after those before it; the answer carries its serial."""
        self._last = task.serial
        self._tasks.put(task)

    def stop(self) -> None:
        """Stop at once; what is under way fails, and so does what has not begun."""
        self._stopped = self._last
        setter = self._setter()
        if setter is not None:
            try:
                setter.stop()
            except DeviceError as error:
                log.warning("the %s could not be stopped: %s", setter.kind, error)

    def confirm(self, task: Task) -> None:
        """The person says, or the balance shows, that ``task`` is done."""
        self._confirmed = task.serial
        setter = self._setter()
        if isinstance(setter, ManualSpacers):
            setter.done()

    def asked(self, count: int) -> None:
        """The spacers' setter waits for the person now; the screen shows it already."""
        setter = self._setter()
        if isinstance(setter, ManualSpacers):
            if self._now <= self._stopped:
                setter.stop()
            elif self._now == self._confirmed:
                setter.done()

    def _work(self) -> None:
        while True:
            task = self._tasks.get()
            self._now = task.serial
            if task.kind == "current":
                self._dispatch(self._switch(task))
                continue
            try:
                position = self._move(task)
                # The height asked for, not the rounded one reported: equal heights stay equal.
                height = task.height if task.height is not None else position.height
                lost = self._lost() if task.kind == "establish" else 0.0
                far = task.kind != "approach"
                self._dispatch(Stands(task.serial, height, far, lost, position.orientation))
            except Exception as error:
                self._dispatch(LiftFailed(task.serial, str(error)))

    def _switch(self, task: Task) -> Event:
        """Switch the coil's current, and see it flow."""
        setter, step = self._setter(), task.step
        source = setter.current_source if isinstance(setter, SerialLift) else None
        try:
            if source is None or step is None:
                raise DeviceError("the bench file names no current source")
            source.set_current(1 if step.get("current_A", 0.0) > 0 else -1)
            return CurrentFlows(task.serial, source.measured_current().value)
        except Exception as error:
            return CurrentFailed(task.serial, str(error))

    def _lost(self) -> float | None:
        """By how much the position before the homing was wrong, m; None where no count was kept."""
        setter = self._setter()
        return setter.lost_height if isinstance(setter, SerialLift) else 0.0

    def _move(self, task: Task) -> GapPosition:
        setter = self._setter()
        if task.serial <= self._stopped:
            raise DeviceError("stopped before it began")
        if setter is None:
            raise DeviceError("the bench file names no lift: add [lift] with its port")
        if task.kind == "approach":
            assert task.height is not None
            position = setter.approach(task.height)
        elif task.kind == "turn":
            if not isinstance(setter, SerialLift) or task.step is None:
                raise DeviceError("nothing on this bench turns the sample")
            position = setter.turn(task.step["orientation"])
        else:
            position = setter.establish() if task.kind == "establish" else setter.retreat()
        if not position.known:
            raise DeviceError(f"the {setter.kind} setter does not know where it stands")
        return position
