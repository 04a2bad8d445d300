"""One browser window: the process that draws its screen, which ends with the window whatever it is doing."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from asyncio.subprocess import PIPE, Process
from collections.abc import Sequence
from typing import TYPE_CHECKING

from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

if TYPE_CHECKING:
    from aiohttp.web import WebSocketResponse

#: How long a screen may take to leave by itself, s.
PATIENCE = 5.0


class Window(AppService):
    """The screen that ``command`` starts, drawn in the window at the other end of ``line``."""

    def __init__(self, command: Sequence[str], line: WebSocketResponse) -> None:
        super().__init__(
            "",
            write_bytes=line.send_bytes,
            write_str=line.send_str,
            close=self._close,
            download_manager=DownloadManager(),
        )
        self._words, self._line = list(command), line

    async def _close(self) -> None:
        await self._line.close()

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Process:
        # Not by a shell, and in a group of its own: what the screen itself starts ends with it.
        self._process = await asyncio.create_subprocess_exec(
            *self._words,
            stdin=PIPE,
            stdout=PIPE,
            stderr=PIPE,
            env=self._build_environment(width=width, height=height),
            start_new_session=True,
        )
        self._stdin = self._process.stdin
        return self._process

    async def end(self) -> None:
        """Ask the screen to leave; end it, and what it has started, where it does not."""
        process = self._process
        if process is None:
            return
        with contextlib.suppress(TimeoutError, OSError):
            await asyncio.wait_for(self.stop(), PATIENCE)
        with contextlib.suppress(ProcessLookupError, PermissionError):
            if os.name == "nt":
                process.kill()
            else:
                os.killpg(process.pid, signal.SIGKILL)
        await process.wait()
