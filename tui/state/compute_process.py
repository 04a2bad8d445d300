"""The heavy part of ``compute`` in a process of its own, behind the same names.

The live screen and the daemon come first: the process has a low priority, and nothing that it does holds
the screen up. It begins with the first question and ends with the screen, however that ends: its input is
closed then. (The worker of a ``ProcessPoolExecutor`` does not: it holds both ends of its queue, and was seen
to live on after its owner was killed.)
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from .compute import Magnetised, NotYet, Progress, SteadyLook

if TYPE_CHECKING:
    from ...daemon.protocol import Run
    from ..bench_costs import Cost
    from .coil_look import CoilLook
    from .compute import Result
    from .repeats import LoopsTogether

#: Added to the screen's own niceness.
NICER = 10


class ComputeProcess:
    """One process that answers one question after the other. For several threads at once."""

    def __init__(self) -> None:
        self._one_at_a_time = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int | None:
        """The process's number, None while there is none."""
        return None if self._process is None else self._process.pid

    def ask(self, name: str, *arguments: Any, progress: Progress | None = None) -> Any:
        """What ``compute``'s function ``name`` answers; ``progress`` hears of its stages, where it has any.

        Raises its NotYet, and one of its own where the process ended before it had answered.
        """
        with self._one_at_a_time:
            process = self._process
            if process is None or process.poll() is not None:
                process = self._process = _begin()
            assert process.stdin is not None
            assert process.stdout is not None
            try:
                pickle.dump((name, arguments, progress is not None), process.stdin)
                process.stdin.flush()
                while (message := pickle.load(process.stdout))[0] == "stage":
                    if progress is not None:
                        progress(message[1])
                kind, answer = message
            except (OSError, EOFError, ValueError, pickle.UnpicklingError) as error:
                self.close()
                raise NotYet(
                    f"The process that computes has ended ({error or 'no answer'}): r tries again."
                ) from error
        if kind != "answer":
            raise NotYet(answer)
        return answer

    def close(self) -> None:
        """End the process, whatever it is doing; the next question begins another."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()


_process = ComputeProcess()
close = _process.close


def analyse_run(run: Run, progress: Progress | None = None) -> Result:
    """As ``compute.analyse_run``."""
    return _process.ask("analyse_run", run, progress=progress)


def magnetisation(run: Run) -> Magnetised:
    """As ``compute.magnetisation``."""
    return _process.ask("magnetisation", run)


def write_run_report(run: Run, path: str, progress: Progress | None = None) -> str:
    """As ``compute.write_run_report``."""
    return _process.ask("write_run_report", run, path, progress=progress)


def write_run_package(run: Run, folder: str, progress: Progress | None = None) -> str:
    """As ``compute.write_run_package``."""
    return _process.ask("write_run_package", run, folder, progress=progress)


def follow_loops(runs: Sequence[Run], progress: Progress | None = None) -> LoopsTogether:
    """As ``repeats.follow_loops``, in a process that ends with it: loops take some seconds each, and the
    live screen's questions do not wait for them. Raises NotYet in words."""
    own = ComputeProcess()
    try:
        return own.ask("follow_loops", runs, progress=progress)
    finally:
        own.close()


def coil_look(run: Run) -> CoilLook:
    """As ``compute.coil_look``."""
    return _process.ask("coil_look", run)


def write_coil_report(run: Run, path: str) -> tuple[str, ...]:
    """As ``compute.write_coil_report``."""
    return _process.ask("write_coil_report", run, path)


def bench_sketch(bench_text: str) -> str:
    """As ``compute.bench_sketch``."""
    return _process.ask("bench_sketch", bench_text)


def bench_costs(bench_text: str, plan: Mapping[str, Any] | None = None) -> list[Cost]:
    """As ``compute.bench_costs``."""
    return _process.ask("bench_costs", bench_text, plan)


def steady_look(trace: list[tuple[float, float]], resolution_kg: float) -> SteadyLook:
    """As ``compute.steady_look``."""
    return _process.ask("steady_look", trace, resolution_kg)


def _begin() -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,  # the terminal is the screen's
        process_group=0,  # what is pressed in the terminal is not for it
    )


def _answer_until_the_input_ends() -> None:
    from ...analysis.errors import WeighloopError
    from . import compute, repeats

    if hasattr(os, "nice"):  # not on Windows
        os.nice(NICER)
    # Whatever else is printed must not get between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)

    def say(kind: str, what: Any) -> None:
        try:
            pickle.dump((kind, what), answers)
            answers.flush()
        except BrokenPipeError:  # the screen has ended meanwhile
            os._exit(0)

    while True:
        try:
            name, arguments, has_stages = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        stages = {"progress": lambda stage: say("stage", stage)} if has_stages else {}
        try:
            where = repeats if hasattr(repeats, name) else compute
            say("answer", getattr(where, name)(*arguments, **stages))
        except WeighloopError as why:
            say("not yet", str(why))


if __name__ == "__main__":
    _answer_until_the_input_ends()
