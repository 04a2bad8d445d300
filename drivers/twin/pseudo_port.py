"""One device's end of a pseudo-terminal: to the host it is a serial port with a name that stays.

The system's own name is a number that goes to the next who asks as soon as it is free; the link is the
twin's, and is there exactly while the plug is in.

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
from pathlib import Path

from .line_faults import at_another_speed

#: After somebody opens the port it stays mute this long (s, of life): line settings come first.
OPENING = 0.05


class PseudoPort:
    """A pseudo-terminal's device side behind ``link``. ``baud`` is what the device speaks."""

    def __init__(self, baud: int, link: Path) -> None:
        self._speed = getattr(termios, f"B{baud}")
        self.link = link
        self._master = -1
        self._open_since: float | None = None
        self.plug()

    @property
    def plugged(self) -> bool:
        return self._master >= 0

    @property
    def name(self) -> str:
        """What the host opens."""
        return str(self.link)

    def plug(self) -> None:
        """Come up, behind the same link, on whatever terminal the system gives."""
        if self.plugged:
            return
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self.link.symlink_to(os.ttyname(slave))
        # With our own hold on the far side gone, a read here fails exactly while no host has it open.
        os.close(slave)
        self._open_since = None

    def unplug(self) -> None:
        """Vanish, as when the plug is pulled."""
        if self.plugged:
            self.link.unlink(missing_ok=True)
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
