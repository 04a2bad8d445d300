"""A whole loop with spacers by hand, in a real terminal (tmux), with the keys a person presses."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from weighloop.daemon.server.client import Client
from weighloop.daemon.simulation.rehearsal import Rehearsal

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="no tmux on this machine")

#: Times as fast as life; what a person does in a minute takes two seconds.
SPEED = 30.0

SERVERS = itertools.count(1)


class Terminal:
    """One tmux session of 80 columns and 24 lines on a server of its own."""

    def __init__(self, folder: Path, command: list[str]) -> None:
        # A server that is just ending with its last session would take a new one down with it.
        number = next(SERVERS)
        self._socket = str(folder / f"tmux-{number}.sock")
        # The program's own end: tmux 3.3 now and then misses that of its child and keeps an empty session.
        self._status = folder / f"status-{number}"
        told = '"$@"; status=$?; echo $status > "$0"; exit $status'
        command = ["sh", "-c", told, str(self._status), *command]
        environment = ["-e", f"XDG_STATE_HOME={folder}/state", "-e", f"XDG_DATA_HOME={folder}/data"]
        size = ["-x", "80", "-y", "24"]
        # What a program that dies has said last stays to be read.
        keep = ["set-option", "-g", "remain-on-exit", "failed"]
        # As a terminal at the far end of SSH: what comes as OSC 52 goes to the clipboard (xterm, ctlseqs).
        clip = ["set-option", "-s", "set-clipboard", "on"]
        start = ["new-session", "-d", *size, *environment, *command]
        self._tmux("-f", "/dev/null", *start, ";", *keep, ";", *clip)

    def _tmux(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self._socket, *words], check=False, capture_output=True, text=True
        )
        assert done.returncode == 0, f"tmux {' '.join(words)}: {done.stderr}"
        return done.stdout

    def text(self) -> str:
        """What stands in the terminal."""
        return self._tmux("capture-pane", "-p")

    def clipboard(self) -> str:
        """What was copied last."""
        command = ["tmux", "-S", self._socket, "show-buffer"]
        return subprocess.run(command, check=False, capture_output=True, text=True).stdout

    def press(self, *keys: str) -> None:
        """Press keys, by tmux's names."""
        self._tmux("send-keys", *keys)

    def type(self, text: str) -> None:
        """Type a text."""
        self._tmux("send-keys", "-l", text)

    def until(self, true: Callable[[str], bool], patience: float = 60.0) -> str:
        """Wait for the terminal to show something."""
        end = time.monotonic() + patience
        while not true(text := self.text()):
            assert time.monotonic() < end, f"did not come; in the terminal:\n{text}"
            time.sleep(0.1)
        return text

    def ended(self) -> None:
        """Wait for the program to end, and end its session."""
        end = time.monotonic() + 60
        while not self._status.exists() or not (status := self._status.read_text()).endswith("\n"):
            assert time.monotonic() < end, f"still there:\n{self.text()}"
            time.sleep(0.05)
        assert int(status) == 0, self.text()
        self.close()

    def close(self) -> None:
        """End the session."""
        subprocess.run(["tmux", "-S", self._socket, "kill-server"], capture_output=True, check=False)


SCRIPTED = """
import sys
from tests.support.screen import scripted_daemon as S
from weighloop.tui.app import WeighloopApp
feed = S.ScriptedFeed(S.snapshot(S.run_at(20), S.live_at(100.0)))
WeighloopApp(feed, cautions=False, now=lambda: 50.0).run()
"""


def test_what_is_copied_reaches_the_terminals_clipboard(tmp_path: Path) -> None:
    """OSC 52 (xterm, ctlseqs): the terminal keeps the clipboard, so that it works over SSH."""
    terminal = Terminal(tmp_path, [sys.executable, "-c", SCRIPTED])
    try:
        terminal.until(lambda text: "HANDS OFF" in text)
        terminal.press("y")
        terminal.until(lambda _: terminal.clipboard() == "-12.3456")
    finally:
        terminal.close()


@pytest.mark.timeout(240)
def test_a_manual_loop_from_the_form_to_the_figures(tmp_path: Path) -> None:
    with Rehearsal(tmp_path / "store.sqlite", seed=5, speed=SPEED, ladder="spacers") as rehearsal:
        command = [
            sys.executable,
            "-m",
            "weighloop.tui.cli",
            "tui",
            "--socket",
            str(rehearsal.socket),
        ]
        terminal = Terminal(tmp_path, command)
        watcher = rehearsal.client()
        try:
            terminal.until(lambda text: "Before you begin" in text)
            terminal.press("Enter")
            terminal.until(lambda text: "Nothing is being weighed." in text)
            start_from_the_form(terminal, rehearsal.twin.places["bench_file"])
            told, said = weigh(terminal, rehearsal, watcher, until=15)
            assert said >= 2  # at the start nothing is known: a key and taps have both been needed
            terminal.press("q")  # closing the screen stops nothing; it is attached again half-way
            terminal.ended()
            run = watcher.call("snapshot")["run"]
            assert run["state"] == "running"
            terminal = Terminal(tmp_path, command)
            terminal.until(lambda text: "run 1, " in text and f"of {len(run['steps'])}" in text)
            told += weigh(terminal, rehearsal, watcher, until=3)[0]
            terminal.close()  # as where the line is cut: the terminal is gone, the run is not
            terminal = Terminal(tmp_path, command)
            terminal.until(lambda text: "run 1, " in text)
            told += weigh(terminal, rehearsal, watcher)[0]
            assert told > 35  # the screen did say what to do, again and again
            terminal.until(lambda text: "all readings are taken" in text)
            terminal.press("3")
            # Three gaps a passage make no fine loop; what is asked is that figures stand there in words.
            text = terminal.until(lambda text: "remanence" in text and "coercivity of M" in text)
            assert any(word in text for word in ("measured", "bound", "not determined"))
            terminal.press("q")
            run = watcher.call("snapshot")["run"]
            assert run["state"] == "finished"
            assert sum(point["kind"] == "point" for point in run["points"]) == 13
        finally:
            watcher.close()
            terminal.close()


@pytest.mark.timeout(240)
def test_a_list_of_unlike_runs_from_the_form_needs_nobody(tmp_path: Path) -> None:
    with Rehearsal(tmp_path / "store.sqlite", seed=6, speed=SPEED, turner=True) as rehearsal:
        command = [sys.executable, "-m", "weighloop.tui.cli", "tui", "--socket", str(rehearsal.socket)]
        terminal = Terminal(tmp_path, command)
        watcher = rehearsal.client()
        try:
            terminal.until(lambda text: "Before you begin" in text)
            terminal.press("Enter")
            terminal.until(lambda text: "Nothing is being weighed." in text)
            set_gaps(terminal, rehearsal.twin.places["bench_file"], 2)
            terminal.press("C-n")
            terminal.until(lambda text: "the run in this form" in text)
            terminal.press("BSpace", "3")
            terminal.until(lambda text: re.search(r"gaps +3 ", text) is not None)
            terminal.press("C-s")
            terminal.until(lambda text: "run 1, " in text)
            terminal.press("q")  # nor does it need anybody to look at it
            terminal.ended()
            for number, gaps in ((1, 2), (2, 3)):
                end = time.monotonic() + 100
                # Held, as by a twin that a busy machine kept waiting, it goes on by itself.
                while (run := watcher.call("runs.get", run=number))["state"] not in ("finished", "stopped"):
                    assert time.monotonic() < end, (run["state"], run["why"], run["action"])
                    assert not run["action"]["needs_confirm"]
                    time.sleep(0.1)
                assert (run["state"], run["why"]) == ("finished", "")
                inward = [step for step in run["steps"] if step["kind"] == "point" and step["leg"] == 0]
                assert len({step["gap_m"] for step in inward}) == gaps
            terminal = Terminal(tmp_path, command)
            terminal.until(lambda text: "run 2, " in text and "all readings are taken" in text)
            terminal.press("q")
            terminal.ended()
        finally:
            watcher.close()
            terminal.close()


def start_from_the_form(terminal: Terminal, bench_file: str) -> None:
    """The daemon's own bench file stands in the form: only the number of gaps is changed, to three.

    All keys at once, as from quick hands: a field gets what was meant for it though the form is late.
    """
    set_gaps(terminal, bench_file, 3)
    terminal.press("C-s")
    terminal.until(lambda text: "run 1" in text)


def set_gaps(terminal: Terminal, bench_file: str, gaps: int) -> None:
    """Open the form and go to its number of gaps, of one digit then."""
    terminal.press("w")
    diameter = tomllib.loads(Path(bench_file).read_text())["sample"]["diameter"]
    form = terminal.until(lambda text: "^S start" in text and diameter in text)
    labels = [line.strip("│ ").partition(" ")[0] for line in form.splitlines()]
    down = labels.index("gaps") - labels.index("name")
    terminal.press(*["Tab"] * down, "BSpace", str(gaps))
    terminal.until(lambda text: re.search(rf"gaps +{gaps} ", text) is not None)


def weigh(
    terminal: Terminal, rehearsal: Rehearsal, watcher: Client, until: int | None = None
) -> tuple[int, int]:
    """Do with the twin's hands what the screen says until the run is over, or this many times.

    Gives how often the screen said what to do, and how often the balance had to be told that it was done.

    The balance notices most of it. What it cannot is said by Enter and by two taps on the pan, in turns.
    """
    end = time.monotonic() + 200
    told = said = 0
    while told != until:
        assert time.monotonic() < end, f"the run did not end; in the terminal:\n{terminal.text()}"
        run = watcher.call("snapshot")["run"]
        if run["state"] not in ("planned", "running"):
            assert run["state"] == "finished", run["why"]
            assert until is None
            break
        action = run["action"]
        asked = " ".join(action["text"].split()[:5])
        if not action["needs_confirm"] or not shown(terminal, asked, "NOW YOU", "tap the pan twice"):
            time.sleep(0.05)  # hands off, or the screen is a moment behind
            continue
        told += 1
        if action["code"] == "set-spacers":
            rehearsal.twin.do("set-spacers", n=action["spacers"])
        elif action["code"] == "place-sample":
            rehearsal.twin.do("place-sample", orientation=action["orientation"])
        else:
            rehearsal.twin.do(action["code"])
        if not gone_on(watcher, action, 8 / SPEED):
            said += 1
            if said % 2:
                terminal.press("Enter")
                assert gone_on(watcher, action, 10), terminal.text()
            else:
                tap(terminal, rehearsal, watcher, action)
    return told, said


def shown(terminal: Terminal, *words: str) -> bool:
    """Whether all of that stands in the screen's banner."""
    banner = " ".join(" ".join(terminal.text().splitlines()[1:4]).split())
    return all(word in banner for word in words)


def tap(terminal: Terminal, rehearsal: Rehearsal, watcher: Client, action: Any) -> None:
    """Tap the pan as a person does: when the reading stands still, and again where it was not heard.

    On a busy machine the twin is late, and a tap may fall where its balance still swings.
    """
    for _ in range(3):
        terminal.until(lambda text: "■ settled" in text)
        rehearsal.twin.do("tap")
        if gone_on(watcher, action, 5):
            return
    raise AssertionError(f"three times two taps were not heard:\n{terminal.text()}")


def gone_on(watcher: Client, action: Any, patience: float) -> bool:
    """Whether the run goes on from an action within this many seconds."""
    end = time.monotonic() + patience
    while watcher.call("snapshot")["run"]["action"] == action:
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True
