"""One thread with an inbox: what others want of it is done in order, so that nothing needs a lock."""

from __future__ import annotations

import logging
import queue
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

log = logging.getLogger(__name__)


class Worker(ABC):
    """Calls ``step`` at least every ``pause`` s, and at once when something was put into the inbox."""

    def __init__(self, name: str, pause: float) -> None:
        self.inbox: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self.last_turn = time.monotonic()
        self._pause = pause
        self._wake = threading.Event()
        self._ending = False
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    @abstractmethod
    def step(self) -> None:
        """One round of the thread's work; a test may call it by hand."""

    @abstractmethod
    def on_error(self) -> None:
        """What to do after a fault of the program itself, which is in the log."""

    # -- from any thread -----------------------------------------------------------------------

    def start(self) -> None:
        """Begin turning."""
        self._thread.start()

    def post(self, what: Callable[[], None]) -> None:
        """Have something done by the thread."""
        self.inbox.put(what)
        self._wake.set()

    def call(self, what: Callable[[], Any]) -> Future[Any]:
        """Run something in the thread; the future has its result."""
        future: Future[Any] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return  # who asked has given up
            try:
                future.set_result(what())
            except Exception as error:
                future.set_exception(error)

        self.post(work)
        return future

    def close(self) -> None:
        """End the thread."""
        self._ending = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(10)

    # -- in the thread -------------------------------------------------------------------------

    def take_in(self) -> None:
        """Do all that was put into the inbox."""
        while True:
            try:
                work = self.inbox.get_nowait()
            except queue.Empty:
                return
            work()

    def _work(self) -> None:
        while not self._ending:
            self._wake.wait(self._pause)
            self._wake.clear()
            try:
                self.step()
            except Exception:
                log.exception("the %s failed", self._thread.name)
                self.on_error()
            self.last_turn = time.monotonic()
