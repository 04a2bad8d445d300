"""The process that computes for the screen: the same answers, and it never outlives or stops the screen."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import tests.support.screen.scripted_daemon as S
from weighloop.tui.state import compute as compute
from weighloop.tui.state.compute import NotYet
from weighloop.tui.state.compute_process import ComputeProcess, steady_look


@pytest.fixture(scope="module")
def apart() -> Iterator[ComputeProcess]:
    """Where it was killed, the next question begins another."""
    made = ComputeProcess()
    yield made
    made.close()


def trace() -> list[tuple[float, float]]:
    return [(k / 10, -12.3456e-3 + 1e-6 * (k * 7919 % 13)) for k in range(300)]


def gone(pid: int) -> bool:
    """Whether a process has ended (one that nobody waited for yet has)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def until(true: Any, patience: float = 20.0) -> None:
    end = time.monotonic() + patience
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_it_answers_as_the_function_itself_does(apart: ComputeProcess) -> None:
    here = compute.steady_look(trace(), 1e-6)
    assert apart.ask("steady_look", trace(), 1e-6) == here
    run = S.run_at(12)
    with pytest.raises(NotYet) as here_not:
        compute.analyse_run(S.run_at(1))
    with pytest.raises(NotYet) as apart_not:
        apart.ask("analyse_run", S.run_at(1))
    assert str(apart_not.value) == str(here_not.value)
    # The same trials from the same seed.
    assert apart.ask("analyse_run", run).figures == compute.analyse_run(run).figures


def test_the_screen_s_own_process_does_next_to_none_of_the_work(apart: ComputeProcess) -> None:
    apart.ask("analyse_run", S.run_at(12))  # the answer's classes are loaded with the first of them
    began = time.process_time()
    apart.ask("analyse_run", S.run_at(13))
    assert time.process_time() - began < 0.1
    assert apart.pid is not None
    assert os.getpriority(os.PRIO_PROCESS, apart.pid) > os.getpriority(os.PRIO_PROCESS, 0)


def test_where_it_is_killed_the_next_question_begins_another(apart: ComputeProcess) -> None:
    apart.ask("steady_look", trace(), 1e-6)
    assert apart.pid is not None
    os.kill(apart.pid, signal.SIGSTOP)  # so that the question is put while it lives
    first = apart.pid
    subprocess.Popen([sys.executable, "-c", f"import os, time; time.sleep(0.5); os.kill({first}, 9)"])
    with pytest.raises(NotYet, match="r tries again"):
        apart.ask("steady_look", trace(), 1e-6)
    assert apart.ask("steady_look", trace(), 1e-6).verdict
    assert apart.pid != first


def test_it_ends_with_a_screen_that_is_killed() -> None:
    code = (
        "import time; from weighloop.tui.state import compute_process as f\n"
        "f._process.ask('steady_look', [(k / 10, 1e-6 * (k % 13)) for k in range(300)], 1e-6)\n"
        "print(f._process.pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as screen:
        assert screen.stdout is not None
        pid = int(screen.stdout.readline())
        assert not gone(pid)
        screen.kill()
    until(lambda: gone(pid))


async def test_it_ends_with_a_screen_that_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.support.screen.screen_driver import stage
    from weighloop.tui.state import compute_process as compute_process

    async with stage():
        steady_look(trace(), 1e-6)
        pid = compute_process._process.pid
        assert pid is not None
    assert gone(pid)
