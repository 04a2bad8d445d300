"""An editor and a type checker know what `import weighloop` gives, from a file outside the source tree."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRATCH = """
import weighloop as wl

run = wl.read_notebook("wp-07-1.csv", bench="wp-07-1.toml")
reveal_type(run)
reveal_type(run.figure("HcJ"))
reveal_type(wl.demag("sphere", diameter=6e-3).axial)
"""
CHECKERS = {
    "basedpyright": ["-m", "basedpyright", "--pythonpath", sys.executable],
    "mypy": ["-m", "mypy", "--python-executable", sys.executable, "--ignore-missing-imports"],
}


@pytest.mark.parametrize("checker", CHECKERS)
def test_the_face_resolves_with_its_types(checker: str, tmp_path: Path, pytestconfig: pytest.Config) -> None:
    scratch = tmp_path / "scratch.py"
    scratch.write_text(SCRATCH)
    command = [sys.executable, *CHECKERS[checker], str(scratch)]
    # What a checker read of numpy and the like stays as it is from one session to the next.
    there = os.environ | {
        "MYPY_CACHE_DIR": str(pytestconfig.cache.mkdir("mypy") if pytestconfig.cache else tmp_path)
    }
    done = subprocess.run(command, cwd=tmp_path, env=there, capture_output=True, text=True, timeout=200)
    said = done.stdout + done.stderr
    assert "could not be resolved" not in said
    assert "error" not in said.replace("0 errors", ""), said
    for name in ("Run", "Measurement", "float"):
        assert name in said, said
