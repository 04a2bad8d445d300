"""Starts the bench twin as a process of its own and talks to its hands.

The twin is reached through its serial ports like any bench; this module only starts and
stops it, and passes on what a person would do at the bench (take the sample off, turn it over).
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
from types import TracebackType
from typing import Any

from ...analysis.errors import WeighloopError


class TwinError(WeighloopError):
    """The twin did not start or did not do what it was asked."""


class TwinProcess:
    """The twin while the context lasts. ``places`` has its ports, bench file and control socket."""

    def __init__(
        self,
        seed: int = 1,
        speed: float = 1.0,
        dialect: str = "status-line",
        ladder: str = "lift",
        sample: str | None = None,
        turner: bool = False,
    ) -> None:
        self._command = [sys.executable, "-m", "weighloop.drivers.twin", "--seed", str(seed)]
        self._command += ["--speed", str(speed), "--dialect", dialect, "--ladder", ladder]
        if sample is not None:
            self._command += ["--bench", sample]
        if turner:
            self._command.append("--turner")
        self.places: dict[str, Any] = {}
        self._one_at_a_time = threading.Lock()

    def __enter__(self) -> TwinProcess:
        # A group of its own: Ctrl-C reaches the one who asked, who then stops the twin in order.
        self._process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            _, error = self._process.communicate()
            why = error.strip().splitlines() or ["no reason given"]
            raise TwinError(f"the bench twin did not start: {why[-1]}")
        self.places = json.loads(line)
        self._control = socket.socket(socket.AF_UNIX)
        self._control.connect(self.places["control"])
        self._answers = self._control.makefile("r", encoding="utf-8")
        return self

    def do(self, what: str, **details: Any) -> dict[str, Any]:
        """Have the person at the bench do something; returns when it is done."""
        with self._one_at_a_time:
            self._control.sendall((json.dumps({"do": what, **details}) + "\n").encode())
            answer = json.loads(self._answers.readline() or '{"ok": false, "why": "the twin is gone"}')
        if not answer.get("ok"):
            raise TwinError(f"{what}: {answer.get('why', 'refused')}")
        return answer

    def wait(self) -> int:
        """Wait until the twin ends by itself."""
        return self._process.wait()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._control.close()
        assert self._process.stdin is not None
        self._process.stdin.close()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for stream in (self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()
