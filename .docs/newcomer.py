"""A newcomer's first hour, played and timed: `python .docs/newcomer.py` writes hardware_notes/newcomer.md.

Everything is really run, in an empty folder: commands as a shell would, the screen by its keys.
"""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[1]
PAGE = TOP / "hardware_notes" / "newcomer.md"
HEAD = """# A newcomer's first steps, timed

Played by `.docs/newcomer.py` on the bench twin, which also wrote this page; installing is not counted. The
time before each step is that of the clock on the wall since the first; {machine}.
"""
#: Longest of an answer that is shown, lines.
SHOWN = 40


class Transcript:
    """What was done, when, and what was said."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.parts: list[str] = []

    def heading(self, words: str) -> None:
        """A step begins."""
        gone = round(time.monotonic() - self.began)
        self.parts.append(f"\n## {gone // 60} min {gone % 60:02d} s: {words}\n")

    def command(self, *words: str, typed: str = "") -> None:
        """One command in the present folder, with what it printed."""
        line = " ".join(f"'{word}'" if " " in word else word for word in words)
        call = [sys.executable, "-m", "weighloop.tui.cli", *words]
        done = subprocess.run(call, input=typed, capture_output=True, text=True, timeout=900)
        said = (done.stderr + done.stdout if typed else done.stdout + done.stderr).strip()
        if typed:  # what is typed at a terminal ends each question's line
            given = iter(typed.split("\n"))
            said = re.sub(r"(?<=\]): ", lambda _: f": {next(given, '')}\n", said)
        said = said.splitlines()
        if len(said) > SHOWN:
            said = [*said[: SHOWN - 6], f"... {len(said) - SHOWN} lines more ...", *said[-6:]]
        status = f"\n(exit status {done.returncode})" if done.returncode else ""
        self.parts.append("```text\n$ weighloop " + line + "\n" + "\n".join(said) + status + "\n```\n")

    def note(self, words: str) -> None:
        """A remark between commands."""
        self.parts.append(words + "\n")


@contextmanager
def empty_home() -> Iterator[Path]:
    """An empty folder, and nothing of this user's own."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory(prefix="newcomer-") as folder:
        kinds = ("STATE", "DATA", "CONFIG", "CACHE", "RUNTIME")
        os.environ |= {f"XDG_{kind}_{'DIR' if kind == 'RUNTIME' else 'HOME'}": folder for kind in kinds}
        os.chdir(folder)
        try:
            yield Path(folder)
        finally:
            os.chdir(before)


async def hold_and_go_on(transcript: Transcript) -> None:
    """A run on the twin, held at the screen, left, and taken up again at another screen."""
    from weighloop.daemon.simulation.rehearsal import Rehearsal
    from weighloop.tui.app import WeighloopApp
    from weighloop.tui.state.follower import SocketFeed
    from weighloop.tui.widgets.listing import Lines

    with Rehearsal(Path("held.sqlite"), seed=11, speed=20.0, turner=True) as rehearsal:
        client = rehearsal.client()
        client.call("control.take", name="newcomer", force=False)
        client.call("run.start", bench_text=rehearsal.bench_text, points=6, target_u_kg=None, name=None)
        client.call("control.release")

        async def screen(*keys: str, until: str, then: float = 0.0) -> None:
            app = WeighloopApp(SocketFeed(str(rehearsal.socket)), cautions=False)
            async with app.run_test(size=(80, 24)) as pilot:
                await pilot.pause(1.0 + then)
                for key in keys:
                    await pilot.press(key)
                    await pilot.pause(0.5)
                    transcript.note(f"Key `{key}`:")
                end = time.monotonic() + 240
                said = ""
                while until not in said:
                    if time.monotonic() > end:
                        raise TimeoutError(f"{until} did not come; on the screen: {said}")
                    await pilot.pause(0.2)
                    said = str(app.screen.query_one("#sentence", Lines).render())
                transcript.parts.append("```text\n" + said + "\n```\n")

        await screen("h", until="HELD", then=3.0)
        transcript.note("The screen is left, and another one opened.")
        await screen("g", until="HANDS OFF")
        await screen(until="FINISHED")


def play() -> str:
    """The whole of it; the page's text."""
    transcript = Transcript()
    with empty_home() as folder:
        transcript.heading("see a run")
        transcript.command("demo", "--points", "8")
        transcript.heading("a bench file from questions")
        transcript.note(
            "An empty line takes what is offered; the sample's diameter is first given without a unit."
        )
        answers = ["WP-07-4", "", "6", "6.01 mm", *[""] * 40]
        transcript.command("bench", "mine.toml", "--no-listen", typed="\n".join(answers))
        transcript.heading("figures from a notebook with two mistakes")
        example = TOP / "analysis" / "examples" / "wp-07-1"
        shutil.copy(example.with_suffix(".toml"), folder / "book.toml")
        lines = example.with_suffix(".csv").read_text(encoding="utf-8").splitlines()
        wrong = [*lines]
        wrong[4] = lines[4].replace("9.8676", '"9,8676"')
        wrong[9] = lines[9].replace("14.3119", "14311.9")
        (folder / "book.csv").write_text("\n".join(wrong) + "\n", encoding="utf-8")
        transcript.command("figures", "book.csv", "--trials", "1000")
        wrong[4] = lines[4]
        (folder / "book.csv").write_text("\n".join(wrong) + "\n", encoding="utf-8")
        transcript.note("The comma put right, it is the other's turn:")
        transcript.command("figures", "book.csv", "--trials", "1000")
        (folder / "book.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        transcript.note("Both put right:")
        transcript.command("figures", "book.csv", "--trials", "1000")
        transcript.heading("a held run, taken up again")
        asyncio.run(hold_and_go_on(transcript))
        transcript.heading("find it again, and the report")
        transcript.command("runs", "note", "1", "first try", "--store", "held.sqlite")
        transcript.command("runs", "--store", "held.sqlite", "--find", "first try")
        transcript.command("report", "1", "--store", "held.sqlite")
        transcript.heading("done")
        text = "\n".join(transcript.parts).replace(str(folder), "~")
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    machine = f"the machine has {os.cpu_count()} cores and was busy with {load:.0f} tasks at the end"
    return HEAD.format(machine=machine) + text


def main() -> Any:
    """Play it and write the page."""
    PAGE.write_text(play(), encoding="utf-8")


if __name__ == "__main__":
    main()
