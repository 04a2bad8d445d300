"""The door that keeps what a real balance said: ``weighloop ports --listen PORT --keep FILE``."""

from __future__ import annotations

import json
import os
import pty
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from click.testing import CliRunner, Result

from tests.support.serial.captures import CAPTURES, check_meanings
from tests.support.serial.replay import Replay
from weighloop.drivers.balance.capture import load
from weighloop.tui.cli import weighloop


def kept(port: str, file: Path, *more: str) -> Result:
    words = ["ports", "--listen", port, "--for", "2s", "--keep", str(file), *more]
    return CliRunner().invoke(weighloop, words)


@contextmanager
def talking(line: bytes) -> Iterator[str]:
    """A port at which one line comes again and again."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    ended = threading.Event()

    def talk() -> None:
        while not ended.wait(0.05):
            os.write(master, line)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        ended.set()
        thread.join()
        os.close(master)
        os.close(slave)


def test_what_is_kept_replays_by_the_test_of_the_captures(tmp_path: Path) -> None:
    source = load(next(path for path in CAPTURES if path.stem == "status-line"))
    file = tmp_path / "mine.capture"
    with Replay(source, 1.0) as far:
        far.play()
        done = kept(far.port, file, "--origin", "a replay")
    assert done.exit_code == 0, done.output
    check_meanings(file)
    capture = load(file)
    assert (capture.header.dialect, capture.header.origin) == ("status-line", "a replay")
    assert capture.data in source.data
    times = [at for at, _ in capture.chunks]
    assert times == sorted(times)
    assert 1.0 < times[-1] < 3.0
    # It is a file of its own for good: nothing is written over it.
    before = file.read_bytes()
    assert kept("loop://", file).exit_code == 2
    assert file.read_bytes() == before


def test_what_no_dialect_explains_is_kept_too_and_believed_by_none(tmp_path: Path) -> None:
    file = tmp_path / "new.capture"
    with talking(b"N  12.3450 % net\r\n") as port:
        done = kept(port, file)
    assert done.exit_code == 0, done.output
    check_meanings(file)
    header = json.loads(file.read_text().splitlines()[0])
    assert (header["dialect"], header["expected"]) == ("unknown", [])
    assert load(file).data.count(b"N  12.3450 % net\r\n") > 10


def test_a_silent_port_leaves_no_file(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    try:
        done = kept(os.ttyname(slave), tmp_path / "x.capture")
    finally:
        os.close(master)
        os.close(slave)
    assert done.exit_code == 1
    assert "not one byte came" in done.stderr
    assert list(tmp_path.iterdir()) == []
