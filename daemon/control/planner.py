"""The process that plans a run again while it is under way: one question and one answer a line, as JSON.

It computes beside the daemon at a low priority, so that no reading waits for it. Of the questions only the
newest is answered. Where the process fails, the run goes on by the plan that it has.
"""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from ..procedure.replan import Question, answer, in_words, question
from ..procedure.run import LogEvent, RunRecord

log = logging.getLogger(__name__)

#: Added to the daemon's own niceness.
NICER = 5

#: Kind, text and data of an entry of the log.
Entry = tuple[str, str, dict[str, Any]]


class Planner:
    """Asks the process, which begins with the first question; ``decided`` gets a run's number and the entry
    that plans it again, in a thread of its own."""

    def __init__(self, decided: Callable[[int, Entry], None]) -> None:
        self._decided = decided
        self._process: subprocess.Popen[str] | None = None
        self._newest: tuple[int, Question] | None = None
        self._wake = threading.Condition()
        self._thread: threading.Thread | None = None
        self._ending = False

    @property
    def pid(self) -> int | None:
        """The process's number, None while there is none."""
        return None if self._process is None else self._process.pid

    def hear(self, event: LogEvent, run: RunRecord | None) -> None:
        """An entry was committed: after a reading the run is planned again, where there is something to
        decide. What was to be looked at before and is not begun yet is forgotten."""
        asked = question(run) if run is not None and event.kind == "point" else None
        if asked is None or run is None:
            return
        with self._wake:
            self._newest = run.id, asked
            self._wake.notify()
            if self._thread is None and not self._ending:
                self._thread = threading.Thread(target=self._work, name="planner", daemon=True)
                self._thread.start()

    def close(self) -> None:
        """End the process, whatever it is doing."""
        with self._wake:
            self._ending = True
            self._wake.notify()
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def _work(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._ending or self._newest is not None)
                newest, self._newest = self._newest, None
            if self._ending or newest is None:
                return
            run, asked = newest
            try:
                steps = self._answer(asked)
            except (OSError, ValueError) as error:
                log.warning("run %d goes on as planned: its planner answers nothing (%s)", run, error)
                continue
            if steps is not None:
                after = asked["after"]
                data = {"after": after["step"], "steps": steps}
                self._decided(run, ("replanned", in_words(steps, after), data))

    def _answer(self, asked: Question) -> list[Any] | None:
        process = self._process
        if process is None or process.poll() is not None:
            process = self._process = subprocess.Popen(
                [sys.executable, "-m", __name__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
            )
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(asked) + "\n")
        process.stdin.flush()
        said = json.loads(process.stdout.readline())
        if "why" in said:
            raise ValueError(said["why"])
        return said["steps"]


def _answer_until_the_input_ends() -> None:
    if hasattr(os, "nice"):  # not on Windows
        with suppress(OSError):
            os.nice(NICER)
    for line in sys.stdin:
        try:
            said: dict[str, Any] = {"steps": answer(json.loads(line))}
        except Exception as error:  # whatever it is: the run goes on as planned
            said = {"why": f"{type(error).__name__}: {error}"}
        print(json.dumps(said), flush=True)


if __name__ == "__main__":
    _answer_until_the_input_ends()
