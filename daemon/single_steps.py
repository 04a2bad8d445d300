"""A run by single steps for a lab's own scripts, and two devices for a run engine such as Bluesky's.

Example::

    from weighloop.daemon.single_steps import SingleSteps

    with SingleSteps.begin("bench.toml", name="WP-07-1") as steps:
        for gap in (20e-3, 8e-3, 3e-3, 1e-3):
            steps.go(gap)
            point = steps.read()
            print(gap, point["value_kg"], point["u_kg"])
        steps.go(8e-3, turn_back=True)

In a run engine: ``RE(list_scan([steps.balance], steps.axis, [20e-3, 8e-3, 3e-3, 1e-3]))``. The devices have
the methods of its protocols (``name``, ``parent``, ``read``, ``describe``, ``trigger``, ``set``,
``position``, ``stage``, ``unstage``, ``stop``) and need none of its code.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from .protocol import ERROR_NOT_POSSIBLE, Point, Run
from .server.client import Client, ClientError

#: How often the daemon is asked whether a step is done, s.
ASK_EVERY = 0.1
#: A person's word that is refused may come after the balance noticed what was done, while that is written
#: down: then the run goes on within this time, s.
NOTICED_WITHIN = 5.0


def at_the_terminal(text: str, choices: list[str]) -> str | None:
    """Ask the person at the terminal; the answer, where there are ``choices``."""
    if choices:
        return input(f"{text} [{'/'.join(choices)}] ").strip()
    input(f"{text} Then press Enter. ")
    return None


class SingleSteps:
    """A run whose steps are asked for one by one; every call waits until the step is done.

    Each step has the checks of a planned run: the lift goes one way on a branch unless ``turn_back`` is said,
    a reading is taken only after the balance was seen to answer the move, and nothing is done under a run of
    somebody else. What a person must do (take the sample away for the zero, turn it over) is asked of
    ``person``. Calls raise ClientError with the reason where a step is refused, or cannot be done any more
    because the run is held, has ended or had to begin another branch.
    """

    def __init__(self, client: Client, number: int, person: Callable[[str, list[str]], str | None]) -> None:
        self.client, self.number, self.person = client, number, person
        self._turn = threading.Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="single-steps")
        self.axis = GapAxis(self)
        self.balance = SettledBalance(self)

    @classmethod
    def begin(
        cls,
        bench: str | Path,
        *,
        socket: str | Path | None = None,
        name: str | None = None,
        target_u_kg: float | None = None,
        person: Callable[[str, list[str]], str | None] = at_the_terminal,
    ) -> Self:
        """Take control of the running daemon (None: the user's own) and begin a run on ``bench``, its file.

        ``name``: the sample's, where it is not the bench file's; ``target_u_kg``: the wanted standard
        uncertainty of a reading. Raises ClientError where there is no daemon, somebody else is in control, or
        a run is under way.
        """
        client = Client.connect(socket)
        try:
            client.call("control.take", name="script", force=False)
            text = Path(bench).read_text(encoding="utf-8")
            number = client.call("run.open", bench_text=text, target_u_kg=target_u_kg, name=name)
        except BaseException:
            client.close()
            raise
        return cls(client, number, person)

    def go(self, gap_m: float, orientation: int | None = None, *, turn_back: bool = False) -> float:
        """To a gap (m); returns the gap set, by the lift's pitch. ``orientation``: +1, -1, None: as it is."""
        more = {} if orientation is None else {"orientation": orientation}
        with self._turn:
            step = self._asked("gap.go", gap_m=float(gap_m), turn_back=turn_back, **more)
            run = self._until(step, lambda run: run["action"].get("ready", False))
        return float(next(s["gap_m"] or 0.0 for s in run["steps"] if s["step"] == step))

    def read(self) -> Point:
        """One settled reading at the gap where the sample stands; it began after the move."""
        return self._reading("reading.take")

    def zero(self, *, turn_back: bool = False) -> Point:
        """One settled reading at the far end with the sample away."""
        return self._reading("zero.take", turn_back=turn_back)

    def finish(self) -> Run:
        """The last zero, and the run's end; the run as it then stands in the store."""
        with self._turn:
            self._asked("run.finish")
            self._until(None, lambda run: run["state"] == "finished")
            return self.client.call("runs.get", run=self.number)

    def hold(self, why: str) -> None:
        """Hold the run where it is."""
        with self._turn:
            self._asked("run.hold", why=why)

    def submit(self, work: Callable[[], Any]) -> Status:
        """Do ``work`` in a thread of its own, after what was submitted before it."""
        return Status(self._worker.submit(work))

    def close(self) -> None:
        """Leave. A run that is not finished waits for whoever takes control."""
        self._worker.shutdown(wait=True, cancel_futures=True)
        self.client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.finish()
        finally:
            self.close()

    def _asked(self, method: str, **params: Any) -> Any:
        run = self.client.call("snapshot")["run"]
        if run is None or run["id"] != self.number:
            raise ClientError(f"run {self.number} is over and another one under way")
        return self.client.call(method, **params)

    def _reading(self, method: str, **params: Any) -> Point:
        with self._turn:
            step = self._asked(method, **params)
            run = self._until(step, lambda run: any(p["step"] == step for p in run["points"]))
        point = next(p for p in run["points"] if p["step"] == step)
        if point["set_aside"] is not None:
            raise ClientError(f"the reading was set aside: {point['set_aside']}")
        return point

    def _until(self, step: int | None, done: Callable[[Run], bool]) -> Run:
        """The run as soon as ``done`` says so; what a person must do meanwhile is asked once each."""
        asked: tuple[Any, ...] = ()
        refused: tuple[float, ClientError] | None = None
        while True:
            run: Run | None = self.client.call("snapshot")["run"]
            if run is None or run["id"] != self.number:
                raise ClientError(f"run {self.number} is over")
            if done(run):
                return run
            if run["state"] != "running":
                raise ClientError(f"run {self.number} is {run['state']}: {run['why']}")
            if step is not None and all(s["step"] != step for s in run["steps"]):
                raise ClientError("the branch was broken off: begin another, from the far end")
            action = run["action"]
            mark = (run["steps_done"], action["code"], action["text"])
            if action["needs_confirm"] and mark != asked:
                asked, refused = mark, None
                answer = self.person(action["text"], action["choices"])
                try:
                    self.client.call("run.confirm", choice=answer, code=action["code"])
                except ClientError as error:
                    if error.code != ERROR_NOT_POSSIBLE:
                        raise
                    refused = time.monotonic(), error
            elif refused is not None and mark == asked and time.monotonic() - refused[0] > NOTICED_WITHIN:
                raise refused[1]
            time.sleep(ASK_EVERY)


class Status:
    """Whether what was asked is done: ``done``, ``success``, ``exception``, ``add_callback``, ``wait``."""

    def __init__(self, future: Future[Any]) -> None:
        self._future = future

    @property
    def done(self) -> bool:
        """Whether it has ended, well or not."""
        return self._future.done()

    @property
    def success(self) -> bool:
        """Whether it has ended well."""
        return self.done and not self._future.cancelled() and self._future.exception() is None

    def exception(self, timeout: float | None = 0.0) -> BaseException | None:
        """Why it did not end well; raises TimeoutError while it is under way."""
        return self._future.exception(timeout)

    def add_callback(self, callback: Callable[[Status], None]) -> None:
        """``callback(status)`` once it has ended, at once if it has."""
        self._future.add_done_callback(lambda future: callback(self))

    def wait(self, timeout: float | None = None) -> Any:
        """Its result; raises what went wrong, or TimeoutError."""
        return self._future.result(timeout)


class _Device:
    """What both devices have in common. ``read`` and ``describe`` give plain dictionaries by name."""

    parent = None

    def __init__(self, steps: SingleSteps, name: str, units: dict[str, str]) -> None:
        self.steps, self.name, self._units = steps, name, units
        self.hints = {"fields": [name]}
        self._values: dict[str, tuple[float | None, float]] = {}

    def read(self) -> dict[str, dict[str, Any]]:
        """Value and time (s, Unix) of each key; raises RuntimeError before there is one."""
        if not self._values:
            raise RuntimeError(f"{self.name} has nothing to read yet: trigger or set it first")
        return {key: {"value": value, "timestamp": at} for key, (value, at) in self._values.items()}

    def describe(self) -> dict[str, dict[str, Any]]:
        """Source, type, shape and unit of each key."""
        about = {"source": f"weighloop:run {self.steps.number}", "dtype": "number", "shape": []}
        return {key: about | {"units": unit} for key, unit in self._units.items()}

    def read_configuration(self) -> dict[str, dict[str, Any]]:
        """Nothing beside what the run's bench file says."""
        return {}

    def describe_configuration(self) -> dict[str, dict[str, Any]]:
        """As ``read_configuration``."""
        return {}

    def stage(self) -> list[Any]:
        """Nothing needs to be made ready."""
        return [self]

    def unstage(self) -> list[Any]:
        """Nothing needs to be put back."""
        return [self]


class GapAxis(_Device):
    """The gap as an axis: ``set`` moves the lift. ``turn_back`` and ``orientation`` hold for later moves."""

    def __init__(self, steps: SingleSteps) -> None:
        super().__init__(steps, "gap", {"gap": "m", "gap_orientation": ""})
        self.turn_back = False
        self.orientation = 1

    @property
    def position(self) -> float | None:
        """The gap set last, m; None before the first."""
        return self._values["gap"][0] if self._values else None

    def set(self, value: float, *args: Any, **kwargs: Any) -> Status:
        """Go to a gap (m). The status ends when the lift stands there."""

        def move() -> None:
            gap = self.steps.go(value, self.orientation, turn_back=self.turn_back)
            now = time.time()
            self._values = {"gap": (gap, now), "gap_orientation": (self.orientation, now)}

        return self.steps.submit(move)

    def stop(self, *, success: bool = False) -> None:
        """Hold the run; nothing happens where all went well."""
        if not success:
            self.steps.hold("stopped by the script")


class SettledBalance(_Device):
    """The balance as a detector: ``trigger`` takes one settled reading at the gap where the sample stands."""

    def __init__(self, steps: SingleSteps) -> None:
        super().__init__(steps, "reading", {"reading": "kg", "reading_u": "kg"})

    def trigger(self) -> Status:
        """The status ends when the reading is in the store."""

        def take() -> None:
            point = self.steps.read()
            at = datetime.fromisoformat(point["utc"]).timestamp()
            self._values = {"reading": (point["value_kg"], at), "reading_u": (point["u_kg"], at)}

        return self.steps.submit(take)
