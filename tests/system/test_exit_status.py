"""The command as a process: exit status and streams as a shell sees them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import EXAMPLES


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """The command as a process: exit status and streams as a shell sees them."""
    command = [sys.executable, "-m", "weighloop.tui.cli", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["figures", "nowhere.csv"], 1, "there is no such file"),
        (["demag", "--shape", "cylinder", "--diameter", "6"], 2, "no unit"),
        (["nonsense"], 2, "nonsense"),
    ],
)
def test_faults_have_a_status_and_one_paragraph(words: list[str], status: int, said: str) -> None:
    """One of each kind; other verbs: without a process, `tui/cli/test_command_line.py`."""
    done = run(*words)
    assert done.returncode == status
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not done.stdout


@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text: a file system of bytes")
@pytest.mark.parametrize(
    "words",
    [
        ["report", "{x}.csv", "--bench", "{x}.toml", "-o", "{x}.html"],
        ["export", "{x}.csv", "--bench", "{x}.toml", "{x}"],
        ["compare", "{x}.csv", "other.csv", "--bench", "{x}.toml"],
    ],
)
def test_a_file_may_have_a_name_that_is_no_text(tmp_path: Path, words: list[str]) -> None:
    name = os.fsdecode(b"n\xe9")
    for ending in (".csv", ".toml"):
        shutil.copy(EXAMPLES / f"wp-07-1{ending}", tmp_path / (name + ending))
    shutil.copy(EXAMPLES / "wp-07-1.csv", tmp_path / "other.csv")
    words = [*(word.replace("{x}", name) for word in words), "--trials", "200"]
    command = [sys.executable, "-m", "weighloop.tui.cli", *words]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"n\\udce9" in done.stdout
    for written in (*tmp_path.glob("*.html"), *tmp_path.glob("*/datapackage.json")):
        assert written.read_text(encoding="utf-8")
