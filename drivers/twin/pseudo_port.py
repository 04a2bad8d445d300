"""One device's end of a pseudo-terminal: to the host it is a serial port with a name.

Nothing is kept for a host that is not there: like a real serial adapter, the port forgets what
is said while nobody has it open, so that a host never reads stale figures.
"""

from __future__ import annotations

import contextlib
import errno
import os
import pty
import termios
import time
import tty

from .wire import at_another_speed

#: After somebody opens the port it stays mute this long (s, of life): line settings come first.
OPENING = 0.05


class PseudoPort:
    """A pseudo-terminal's device side. ``baud`` is what the device speaks."""

    def __init__(self, baud: int) -> None:
        self._speed = getattr(termios, f"B{baud}")
        self.name = ""
        self._master = -1
        self._open_since: float | None = None
        self.plug()

    @property
    def plugged(self) -> bool:
        return self._master >= 0

    def plug(self) -> str:
        """Come up under a new name, which is returned."""
        if self.plugged:
            return self.name
        self._master, slave = pty.openpty()
        self.name = os.ttyname(slave)
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        # With our own hold on the far side gone, a read here fails exactly while no host has it open.
        os.close(slave)
        self._open_since = None
        return self.name

    def unplug(self) -> None:
        """Vanish, as when the plug is pulled."""
        if self.plugged:
            os.close(self._master)
            self._master = -1
            self._open_since = None

    def read(self) -> bytes:
        """What the host has sent; empty where nothing came or nobody is there."""
        if not self.plugged:
            return b""
        try:
            data = os.read(self._master, 4096)
        except BlockingIOError:
            data = b""
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            self._open_since = None
            return b""
        if self._open_since is None:
            self._open_since = time.monotonic()
        # Before the host has set the line raw, what comes back is only the echo of the terminal.
        return data if self._same_speed() else at_another_speed(data)

    def write(self, data: bytes) -> None:
        """Say it, if there is somebody; what finds no room is lost, as on a real line."""
        if self._open_since is None or time.monotonic() - self._open_since < OPENING:
            return
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._master, data if self._same_speed() else at_another_speed(data))

    def _same_speed(self) -> bool:
        """Whether the host has set the speed this device speaks at."""
        try:
            return termios.tcgetattr(self._master)[5] == self._speed
        except termios.error:
            return True
