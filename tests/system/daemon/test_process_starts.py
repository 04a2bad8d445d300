"""What a process that is started says, where its surroundings are bare or wrong."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from weighloop.daemon.simulation.twin_process import TwinError, TwinProcess

pytestmark = pytest.mark.skipif(os.name != "posix", reason="elsewhere the system always names the folder")


def test_where_the_system_names_no_folder_for_sockets_nobody_is_bothered() -> None:
    """XDG base directory specification: the variable may be missing; the place is then ours to choose."""
    bare = {k: v for k, v in os.environ.items() if k not in ("XDG_RUNTIME_DIR", "WEIGHLOOP_SOCKET")}
    program = "from weighloop.daemon.paths import socket_path; print(socket_path())"
    said = subprocess.run(
        [sys.executable, "-W", "always", "-c", program], env=bare, capture_output=True, text=True
    )
    assert (said.returncode, said.stderr) == (0, "")
    assert Path(said.stdout.strip()).name == "daemon.sock"


def test_a_twin_that_does_not_start_says_why_in_one_sentence() -> None:
    with (
        pytest.raises(TwinError, match=r"^the bench twin did not start: nowhere: no such twin bench; "),
        TwinProcess(sample="nowhere"),
    ):
        pass
