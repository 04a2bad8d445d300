"""The command as a process: exit status and streams as a shell sees them."""

from __future__ import annotations

import subprocess
import sys

import pytest


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """The command as a process: exit status and streams as a shell sees them."""
    command = [sys.executable, "-m", "weighloop.tui.cli", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["plan", "--bench", "nowhere.toml"], 1, "readable bench file"),
        (["figures", "nowhere.csv", "--bench", "nowhere.toml"], 1, "nowhere"),
        (["figures", "nowhere.csv"], 1, "there is no such file"),
        (["demag", "--shape", "cylinder", "--diameter", "6"], 2, "no unit"),
        (["demag", "--shape", "cylinder", "--diameter", "6mm"], 2, "height"),
        (["field"], 2, "--bench"),
        (["nonsense"], 2, "nonsense"),
        (["settle", "nowhere.csv", "--resolution", "1mg"], 1, "nowhere.csv"),
        (["runs", "--store", "nowhere.sqlite"], 1, "no store"),
    ],
)
def test_faults_have_a_status_and_one_paragraph(words: list[str], status: int, said: str) -> None:
    done = run(*words)
    assert done.returncode == status
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not done.stdout
