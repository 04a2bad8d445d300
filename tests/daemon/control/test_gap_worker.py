"""The gap setter's thread: a person's word counts whenever it comes, and for its own task only."""

from __future__ import annotations

import queue
import threading

import pytest

from weighloop.daemon.control.gap_worker import GapWorker
from weighloop.daemon.procedure.events import Event, LiftFailed, Stands, Task
from weighloop.drivers.spacers import ManualSpacers


def task(serial: int, spacers: int = 5) -> Task:
    return Task("approach", height=spacers * 1e-3, code="set-spacers", serial=serial)


class Bench:
    """A mover with spacers; ``slow`` holds its thread back before each move until ``go``."""

    def __init__(self, slow: bool = False) -> None:
        self.heard: queue.Queue[Event] = queue.Queue()
        self.asked: queue.Queue[int] = queue.Queue()
        self.go = threading.Event()
        if not slow:
            self.go.set()
        self.mover = GapWorker(self._setter, self.heard.put)
        self.spacers = ManualSpacers(1e-3, 30, self._ask)

    def _setter(self) -> ManualSpacers:
        if threading.current_thread().name == "mover":
            assert self.go.wait(60)
        return self.spacers

    def _ask(self, count: int) -> None:
        self.asked.put(count)
        self.mover.asked(count)

    def ended(self) -> Event:
        return self.heard.get(timeout=5)


@pytest.mark.parametrize("early", [False, True])
def test_the_word_ends_the_move_before_or_after_the_thread_is_ready(early: bool) -> None:
    bench = Bench(slow=early)
    bench.mover.begin(task(1))
    if not early:
        assert bench.asked.get(timeout=5) == 5
    assert bench.heard.empty()
    bench.mover.confirm(task(1))
    bench.go.set()
    assert bench.ended() == Stands(1, 5e-3, False)


@pytest.mark.parametrize("early", [False, True])
def test_a_move_that_is_stopped_does_not_hold_up_the_next(early: bool) -> None:
    bench = Bench(slow=early)
    bench.mover.begin(task(1))
    if not early:
        assert bench.asked.get(timeout=5) == 5
    bench.mover.stop()
    bench.mover.begin(task(2, 7))
    bench.mover.confirm(task(2, 7))
    bench.go.set()
    stopped = bench.ended()
    assert isinstance(stopped, LiftFailed)
    assert stopped.serial == 1
    assert bench.ended() == Stands(2, 7e-3, False)


def test_a_word_for_an_older_task_ends_nothing() -> None:
    bench = Bench(slow=True)
    bench.mover.begin(task(1))
    bench.mover.confirm(task(1))
    bench.mover.begin(task(2, 7))
    bench.go.set()
    assert bench.ended() == Stands(1, 5e-3, False)
    assert [bench.asked.get(timeout=5) for _ in range(2)] == [5, 7]
    assert bench.heard.empty()
    bench.mover.confirm(task(2, 7))
    assert bench.ended() == Stands(2, 7e-3, False)


def test_without_a_setter_it_is_said_in_words() -> None:
    heard: queue.Queue[Event] = queue.Queue()
    GapWorker(lambda: None, heard.put).begin(Task("retreat", serial=3))
    event = heard.get(timeout=5)
    assert isinstance(event, LiftFailed)
    assert "add [lift]" in event.why
