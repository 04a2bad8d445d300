"""The rehearsal around a person at the screen: hands that are lent, and nothing left behind."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from weighloop.daemon.simulation.rehearsal import Rehearsal


@pytest.mark.timeout(120)
def test_lent_hands_do_what_is_asked_and_leave_the_word_to_the_person(tmp_path: Path) -> None:
    with Rehearsal(tmp_path / "store.sqlite", speed=30.0, ladder="lift") as rehearsal:
        rehearsal.lend_hands()
        with rehearsal.client() as client:
            client.call("control.take", name="test", force=True)
            client.call("run.start", bench_text=rehearsal.bench_text, points=4, target_u_kg=None, name=None)
            for code, on in (("remove-sample", False), ("place-sample", True)):
                _until(lambda code=code: client.call("snapshot")["run"]["action"]["code"] == code)
                _until(lambda on=on: rehearsal.twin.do("state")["sample_on"] is on)
                time.sleep(0.3)
                assert client.call("snapshot")["run"]["action"]["code"] == code  # still waits for the word
                client.call("run.confirm", choice=None, code=code)


STARTED = """
import sys, time
from pathlib import Path
from weighloop.daemon.simulation.rehearsal import Rehearsal
with Rehearsal(Path(sys.argv[1])) as rehearsal:
    print(rehearsal._daemon.pid, rehearsal.twin._process.pid, flush=True)
    time.sleep(60)
"""


@pytest.mark.skipif(not Path("/proc").exists(), reason="asks /proc whether a process is there")
def test_a_starter_that_is_killed_leaves_no_daemon_behind(tmp_path: Path) -> None:
    starter = subprocess.Popen(
        [sys.executable, "-c", STARTED, str(tmp_path / "store.sqlite")], stdout=subprocess.PIPE, text=True
    )
    assert starter.stdout is not None
    numbers = starter.stdout.readline().split()
    assert all(_lives(number) for number in numbers)
    starter.send_signal(signal.SIGKILL)
    starter.wait(20)
    starter.stdout.close()
    _until(lambda: not any(_lives(number) for number in numbers))


def _lives(number: str) -> bool:
    """Whether a process is there and is no mere entry that nobody has asked after."""
    status = Path("/proc", number, "stat")
    try:
        return status.read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def _until(true, patience: float = 30.0) -> None:
    end = time.monotonic() + patience
    while not true():
        assert time.monotonic() < end, "did not come true"
        time.sleep(0.05)
