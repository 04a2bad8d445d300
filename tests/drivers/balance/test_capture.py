"""Every stored capture still means what it meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.serial.captures import CAPTURES, check_meanings
from tests.support.serial.replay import Replay
from weighloop.drivers.balance.capture import Capture, CaptureError, Header, load, record, save
from weighloop.drivers.balance.dialects import load_dialect


def test_there_is_one_for_every_shipped_dialect() -> None:
    dialects = {load(path).header.dialect for path in CAPTURES}
    assert {"status-line", "ask-answer", "print-line", "counted"} <= dialects


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.stem)
def test_every_line_means_what_it_meant(path: Path) -> None:
    """The expected meanings were written by plain slicing of the bytes, not by the dialect's patterns."""
    check_meanings(path)


def test_a_capture_goes_to_a_file_and_back(tmp_path: Path) -> None:
    header = Header("counted", "57600 8N1", "made here", "all byte values", ("refused",))
    capture = Capture(header, ((0.0, bytes(range(256))), (0.25, b"\n")))
    save(capture, tmp_path / "x.capture")
    assert load(tmp_path / "x.capture") == capture
    with pytest.raises(CaptureError, match="never written over"):
        save(capture, tmp_path / "x.capture")


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "header"),
        ("{}\n", "header"),
        ('{"dialect":"a","settings":"","origin":"","odd":"","expected":[],"capture":9}\n', "format 9"),
        ('{"dialect":"a","settings":"","origin":"","odd":"","expected":[]}\n[1,"a"]\n[0,"b"]\n', "line 3"),
        ('{"dialect":"a","settings":"","origin":"","odd":"","expected":[]}\n[1]\n', "line 2"),
    ],
)
def test_a_bad_capture_is_named(tmp_path: Path, text: str, fault: str) -> None:
    (tmp_path / "bad.capture").write_text(text)
    with pytest.raises(CaptureError, match=fault):
        load(tmp_path / "bad.capture")


def test_recording_a_port_gives_a_capture_that_decodes() -> None:
    source = load(next(path for path in CAPTURES if path.stem == "status-line"))
    with Replay(source, 20.0) as far:
        far.play()
        taken = record(far.port, load_dialect("status-line"), 0.5, origin="a replay")
    whole, part = list(source.header.expected), list(taken.header.expected)[1:]
    assert len(part) > 10
    # The recording begins somewhere in the capture; from there on it is the same.
    assert any(whole[start : start + len(part)] == part for start in range(len(whole)))
