"""Plays a capture into a pseudo-terminal with its own timing, so that the real driver hears it."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time

from weighloop.drivers.balance.capture import Capture


class Replay:
    """A port that says what a capture says. Use as a context manager; ``port`` is its name.

    ``speed`` is how many times as fast as life; ``heard`` collects what the host sends. The
    pseudo-terminal exists on POSIX systems only. The capture starts at ``play``.
    """

    def __init__(self, capture: Capture, speed: float = 1.0) -> None:
        if os.name != "posix":
            raise OSError("pseudo-terminals exist on POSIX systems only")
        import pty
        import tty

        self._capture, self._speed = capture, speed
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self.heard = b""
        self.finished = threading.Event()
        self._play = threading.Event()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="replay", daemon=True)
        self._thread.start()

    def play(self) -> None:
        """Begin."""
        self._play.set()

    def close(self) -> None:
        """Close the far end: to the host this is a pulled plug."""
        self._ending.set()
        self._play.set()
        self._thread.join(timeout=5)
        for descriptor in (self._slave, self._master):
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def __enter__(self) -> Replay:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> None:
        self._play.wait()
        begun = time.monotonic()
        for at, chunk in self._capture.chunks:
            while (left := begun + at / self._speed - time.monotonic()) > 0:
                if self._ending.wait(min(left, 0.05)):
                    return
                self._listen()
            if self._ending.is_set():
                return
            os.write(self._master, chunk)
        self.finished.set()
        while not self._ending.wait(0.02):
            self._listen()

    def _listen(self) -> None:
        if select.select([self._master], [], [], 0)[0]:
            self.heard += os.read(self._master, 4096)
