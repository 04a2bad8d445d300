"""Mistakes people make and the message each gets, tried in a copy of the worked example; the page of them.

``python -m tests.support.pages.mistakes`` writes the page and prints what is said otherwise
than the table has it.
"""

from __future__ import annotations

import os
import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from tests.support import EXAMPLES, ROOT

TABLE = ROOT / "tests" / "tui" / "cli" / "mistakes.toml"
PAGE = ROOT / "hardware_notes" / "mistakes.md"
HEAD = """# Mistakes, and what is said of them

Each was made in a copy of the [worked example](../analysis/examples/README.md) (`b.toml`, `n.csv`) and
tried; a test holds this page and the program equal. *Before* is what the version before said. A message names
the place, the fault and what would be right; a file with several faults gets all of them at once, and nothing
is changed.

| mistake | what is said | before |
| --- | --- | --- |
"""


def mistakes() -> list[dict[str, Any]]:
    """The table."""
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))["mistake"]


def make(mistake: dict[str, Any], folder: Path) -> None:
    """The bench file and the notebook with this mistake in them."""
    for key, name, example in (("bench", "b.toml", "wp-07-1.toml"), ("notebook", "n.csv", "wp-07-1.csv")):
        shutil.copy(EXAMPLES / example, folder / name)
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in mistake.get(key, []):
            changed = (
                re.sub(old[1:], new, text, flags=re.MULTILINE)
                if old.startswith("~")
                else text.replace(old, new)
            )
            assert changed != text, f"{mistake['did']}: {old!r} is not in the example"
            text = changed
        (folder / name).write_text(text, encoding="utf-8")


def said(mistake: dict[str, Any], folder: Path) -> tuple[str, int]:
    """What the program says of it, and the exit status."""
    from weighloop.tui.cli import weighloop

    make(mistake, folder)
    here = Path.cwd()
    os.chdir(folder)
    try:
        result = CliRunner().invoke(weighloop, mistake["call"].split())
    finally:
        os.chdir(here)
    return in_short(result.stderr), result.exit_code


def in_short(text: str) -> str:
    """Without the usage above it and the program's name before it, in one line."""
    lines = [line for line in text.splitlines() if line and not line.startswith(("Usage:", "Try '"))]
    return " / ".join(line.removeprefix("weighloop: ").removeprefix("Error: ") for line in lines)


def page() -> str:
    """The page, made from the table."""
    rows = [[m["did"], m["says"] or "nothing: it is read as it was meant", m["before"]] for m in mistakes()]
    cells = [
        "| " + " | ".join(cell.replace("|", "\\|").replace(" / ", "<br>") for cell in row) + " |"
        for row in rows
    ]
    return HEAD + "\n".join(cells) + "\n"


def _renew() -> None:
    import tempfile

    head, *blocks = TABLE.read_text(encoding="utf-8").split("[[mistake]]")
    for k, mistake in enumerate(mistakes()):
        with tempfile.TemporaryDirectory() as folder:
            now, status = said(mistake, Path(folder))
        if (now, status) != (mistake["says"], mistake["status"]):
            print(f"{mistake['did']} [{status}]\n  was: {mistake['says']}\n  now: {now}")
            old = f"status = {mistake['status']}\nsays = '''{mistake['says']}'''"
            blocks[k] = blocks[k].replace(old, f"status = {status}\nsays = '''{now}'''")
    TABLE.write_text("[[mistake]]".join((head, *blocks)), encoding="utf-8")
    PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    _renew()
