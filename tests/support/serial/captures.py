"""The captures kept here, and what is held of each: its lines mean what they meant, or nothing at all."""

from __future__ import annotations

from pathlib import Path

from tests.support import ROOT
from weighloop.drivers.balance.capture import UNKNOWN, load, meanings
from weighloop.drivers.balance.dialects import load_dialect, names
from weighloop.drivers.balance.discovery import CLEAR_LINES

CAPTURES = sorted((ROOT / "tests" / "captures").glob("*.capture"))


def check_meanings(path: Path) -> None:
    """A capture of a known dialect decodes to its expected meanings; another is believed by no dialect."""
    capture = load(path)
    if capture.header.dialect != UNKNOWN:
        assert meanings(load_dialect(capture.header.dialect), capture.data) == list(capture.header.expected)
        return
    for name in names():
        said = [meaning for meaning in meanings(load_dialect(name), capture.data) if meaning != "refused"]
        assert len(said) < CLEAR_LINES, (name, said[:5])
