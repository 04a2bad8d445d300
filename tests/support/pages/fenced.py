"""The fenced blocks of a page, and what a reader who types them sees."""

from __future__ import annotations

import re
import shlex
import subprocess
from contextlib import chdir
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from tests.support import ROOT
from weighloop.tui.cli import weighloop

TOP = ROOT
_BLOCK = re.compile(
    r"(?:<!-- not run: (?P<reason>[^>]+) -->\n)?```(?P<kind>\w*)\n(?P<text>.*?)^```", re.M | re.S
)


@dataclass(frozen=True)
class Block:
    """``reason``: why the page's test does not run it; empty where it does."""

    kind: str
    text: str
    reason: str

    def lines(self) -> list[str]:
        """Its commands, without remarks."""
        lines = (line.partition("  #")[0].strip() for line in self.text.splitlines())
        return [line for line in lines if line and not line.startswith("#")]


def blocks(page: Path) -> list[Block]:
    """All fenced blocks, in order."""
    found = _BLOCK.finditer(page.read_text(encoding="utf-8"))
    return [Block(m["kind"], m["text"], m["reason"] or "") for m in found]


def typed(command: str, folder: Path) -> str:
    """What ``command`` prints in ``folder``, verbatim as typed; AssertionError where it fails.

    Our own commands run in this process, as a start costs more than most of them; others in a shell.
    """
    words = shlex.split(command)
    if words[0] == "weighloop":
        with chdir(folder):
            result = CliRunner().invoke(weighloop, words[1:])
        assert result.exit_code == 0, f"{command}: {result.output}"
        return result.output
    done = subprocess.run(command, shell=True, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stderr}"
    return done.stdout


def python(text: str, folder: Path) -> dict[str, Any]:
    """Run a block of Python in ``folder``; returns the names it made."""
    names: dict[str, Any] = {}
    with chdir(folder):
        exec(text, names)
    return names
