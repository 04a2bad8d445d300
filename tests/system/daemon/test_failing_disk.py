"""Faults below SQLite: for every n, the n-th write, sync, truncation or rename of a short run fails.

SQLite documentation, "Atomic Commit In SQLite": a transaction is whole or not there. What was told after its
commit must be there when the disk is whole again, once, and the store sound.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import ROOT

COMPILER = shutil.which("cc") or shutil.which("gcc")


@pytest.mark.skipif(COMPILER is None or sys.platform != "linux", reason="needs a C compiler and Linux")
def test_every_nth_call_to_the_disk_fails_and_nothing_told_is_lost(tmp_path: Path) -> None:
    library = tmp_path / "failing_disk.so"
    source = ROOT / "tests" / "support" / "store" / "failing_disk.c"
    assert COMPILER is not None
    subprocess.run([COMPILER, "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True)
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.store.failing_disk"],
        cwd=ROOT,
        env={**os.environ, "LD_PRELOAD": str(library)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert int(done.stderr.rsplit("calls", 1)[1]) > READINGS_AT_LEAST


#: Each of the readings is a commit, and each commit at least a write and a sync.
READINGS_AT_LEAST = 24
