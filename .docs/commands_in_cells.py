"""Cells that hold a command: `%weighloop field ...`; what goes wrong in one fails the page."""

import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any


def weighloop(line: str) -> None:
    """Run the `weighloop` command and print what it prints, whole."""
    command = [str(Path(sys.executable).parent / "weighloop"), *shlex.split(line)]
    done = subprocess.run(command, capture_output=True, text=True)
    print(done.stdout + done.stderr, end="")
    done.check_returncode()


def load_ipython_extension(shell: Any) -> None:
    """`%load_ext commands_in_cells`."""
    shell.register_magic_function(weighloop)
