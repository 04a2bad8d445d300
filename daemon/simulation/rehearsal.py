"""A rehearsal: the bench twin, a daemon of its own, and a person who does what the run asks.

Everything goes the real way: serial ports, daemon process, store, client. Only the bench at the
far end of the ports is virtual, and the person's hands act on it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

from ..protocol import ERROR_NOT_POSSIBLE, Run
from ..server.client import Client, ClientError
from .twin_process import TwinError, TwinProcess


class Rehearsal:
    """Twin and daemon while the context lasts; ``store`` outlives it."""

    def __init__(
        self,
        store: Path,
        *,
        seed: int = 1,
        speed: float = 1.0,
        ladder: str = "lift",
        sample: str | None = None,
        turner: bool = False,
    ) -> None:
        self.store = store
        self.twin = TwinProcess(seed=seed, speed=speed, ladder=ladder, sample=sample, turner=turner)
        self.hands = 0  # how often hands were at the bench
        self._speed = speed
        self._folder = tempfile.TemporaryDirectory(prefix="weighloop-")
        self.socket = Path(self._folder.name) / "daemon.sock"
        self._daemon: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Rehearsal:
        self.twin.__enter__()
        try:
            self.bench_text = Path(self.twin.places["bench_file"]).read_text(encoding="utf-8")
            command = [sys.executable, "-m", "weighloop.daemon", "--store", str(self.store)]
            command += ["--socket", str(self.socket), "--speed", str(self._speed)]
            command += ["--bench", self.twin.places["bench_file"], "--until-input-ends"]
            log = self.store.with_suffix(".daemon.log").open("ab")
            # A session of its own, so that Ctrl-C is heard by the one who asked and by nobody else.
            self._daemon = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=log, stderr=log, start_new_session=True
            )
            log.close()
            self.client().close()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def client(self, patience: float = 20.0) -> Client:
        """A client of the rehearsal's daemon; waits until the daemon answers."""
        deadline = time.monotonic() + patience
        while True:
            try:
                return Client.connect(self.socket)
            except (ClientError, OSError):
                gone = self._daemon is None or self._daemon.poll() is not None
                if gone or time.monotonic() > deadline:
                    raise
                time.sleep(0.05)

    def operate(self, client: Client, on_change: Callable[[Run], None] = lambda run: None) -> Run:
        """Be the person at the bench until the run has ended; returns the run.

        Does with the twin's hands what the run's next action says, then confirms it. ``on_change``
        hears of every change of the run.
        """
        acted: tuple[Any, ...] | None = None
        for run in _changes(client):
            if run is None:
                continue
            on_change(run)
            if run["state"] in ("finished", "stopped", "held"):
                return run
            action = run["action"]
            if not action["needs_confirm"]:
                continue
            if (mark := _mark(run)) != acted:
                self._act(run)
                acted = mark
            choice = action["choices"][0] if action["choices"] else None
            try:
                client.call("run.confirm", choice=choice, code=action["code"])
            except ClientError as error:
                if error.code != ERROR_NOT_POSSIBLE:
                    raise
                # It has just been noticed, or is being written down: a change follows.
        raise AssertionError  # the changes never end

    def lend_hands(self) -> None:
        """Let the twin's hands do whatever a run asks for, from now on, and confirm nothing.

        For a person at the screen, who has no hands on a virtual bench.
        """
        threading.Thread(target=self._lend_hands, daemon=True).start()

    def _lend_hands(self) -> None:
        done: tuple[Any, ...] | None = None
        with suppress(ClientError, OSError, ValueError), self.client() as client:  # until daemon or twin end
            for run in _changes(client):
                if run is None or run["state"] != "running" or not run["action"]["needs_confirm"]:
                    continue
                if (mark := _mark(run)) != done:
                    with suppress(TwinError):  # nothing to do: it was done before
                        self._act(run)
                    done = mark

    def _act(self, run: Run) -> None:
        """Let the twin's hands do the action that is asked for; a question needs no hands."""
        action: Any = run["action"]
        self.hands += action["code"] != "question"
        if run.get("coil", False) and action["code"] != "question":
            step = run["steps"][run["steps_done"]] if run["steps_done"] < len(run["steps"]) else {}
            self._handle_coil(action, step.get("seat_m", (0.0, 0.0)))
        elif action["code"] == "set-spacers":
            self.twin.do("set-spacers", n=action["spacers"])
        elif action["code"] == "place-sample":
            if action["sets_spacers"]:
                self.twin.do("set-spacers", n=action["spacers"])
            self.twin.do("place-sample", orientation=action["orientation"])
        elif action["code"] in ("remove-sample", "turn-over"):
            self.twin.do(action["code"])

    def _handle_coil(self, action: Any, seat: Sequence[float]) -> None:
        """The coil on or off, its spacers, seat and supply; what hangs there otherwise is taken off first."""
        if action["code"] == "set-current":
            self.twin.do("set-current", mA=1e3 * action["current_A"])
            return
        if action["code"] == "move-seat":
            x, y = seat
            self.twin.do("move-seat", x_mm=1e3 * x, y_mm=1e3 * y)
            return
        if self.twin.do("state")["sample_on"]:
            self.twin.do("remove-sample")
        if action["code"] == "remove-sample":
            self.twin.do("remove-coil")
        elif action["code"] == "place-sample":
            if action["sets_spacers"]:
                self.twin.do("set-spacers", n=action["spacers"])
            self.twin.do("place-coil", end=action["orientation"])

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._daemon is not None:
            self._daemon.terminate()
            try:
                self._daemon.wait(10)
            except subprocess.TimeoutExpired:
                self._daemon.kill()
                self._daemon.wait()
            assert self._daemon.stdin is not None
            self._daemon.stdin.close()
        self.twin.__exit__(kind, value, trace)
        self._folder.cleanup()


def _changes(client: Client) -> Iterator[Run | None]:
    """The run as it is now, and again after each change: an event says that there is one, not what it is."""
    events = client.events(["run"])
    client.call("subscribe", topics=["run"])
    while True:
        yield client.call("snapshot")["run"]
        next(events)


def _mark(run: Run) -> tuple[Any, ...]:
    """What tells one action that is asked for from the next."""
    action = run["action"]
    return run["id"], run["steps_done"], len(run["points"]), action["code"], action["text"]
