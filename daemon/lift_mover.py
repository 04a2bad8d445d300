"""The lift's blocking calls, made in a thread of their own and answered with an event."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable

from ..drivers.device import DeviceError
from ..drivers.lift import SerialLift
from .stage import Event, LiftFailed, Stands, Task

log = logging.getLogger(__name__)


class LiftMover:
    """The lift's blocking calls, one after the other in a thread of their own."""

    def __init__(self, lift: Callable[[], SerialLift | None], happen: Callable[[Event], None]) -> None:
        """``lift`` gives the lift of the moment; ``happen`` hears how each task ended."""
        self._lift, self._happen = lift, happen
        self._tasks: queue.SimpleQueue[Task] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="mover", daemon=True)
        self._thread.start()

    def begin(self, task: Task) -> None:
        """Do it after those before it; the answer carries its serial."""
        self._tasks.put(task)

    def stop(self) -> None:
        """Stop the lift at once; the task under way fails."""
        lift = self._lift()
        if lift is not None:
            try:
                lift.stop()
            except DeviceError as error:
                log.warning("the lift could not be stopped: %s", error)

    def _work(self) -> None:
        while True:
            task = self._tasks.get()
            lift = self._lift()
            try:
                if lift is None:
                    raise DeviceError("the bench file names no lift: add [lift] with its port")
                if task.kind == "approach":
                    assert task.height is not None
                    position = lift.approach(task.height)
                else:
                    position = lift.establish() if task.kind == "establish" else lift.retreat()
                if not position.known:
                    raise DeviceError("the lift does not know where it stands")
                # The height asked for, not the rounded one told: equal heights stay equal.
                height = task.height if task.height is not None else position.height
                self._happen(Stands(task.serial, height, far=task.kind != "approach"))
            except Exception as error:
                self._happen(LiftFailed(task.serial, str(error)))
