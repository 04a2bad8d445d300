"""What speaks at a port: dialects and line settings found by listening."""

from __future__ import annotations

import json
import termios

import pytest

from tests.support.serial.serial_peers import FarEnd, Talker
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.balance.discovery import list_ports, listen
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceLost
from weighloop.drivers.serial.port import LineSettings

ONE = [LineSettings(9600), LineSettings(2400)]


@pytest.mark.parametrize("name", ["status-line", "ask-answer", "print-line", "counted"])
def test_each_dialect_is_recognised_and_no_other(name: str, far_end: FarEnd) -> None:
    dialect = load_dialect(name)
    line = dialect.examples[0][0] + dialect.terminator
    request = dialect.ask.request if dialect.ask and dialect.ask.when == "always" else None
    if name == "counted":  # every line has its own number: two examples, and a controller that was reset
        line = b"".join(line + dialect.terminator for line, _ in dialect.examples)
    with Talker(far_end, line, request):
        fits = listen(far_end.port, each=0.8, settings=ONE)
    (fit,) = fits
    assert (fit["dialect"], fit["clear"], fit["settings"]) == (name, True, "9600 8N1")
    assert fit["asked"] is (request is not None)
    assert fit["samples"][0].encode().decode("unicode_escape").encode() in line
    assert f"{fit['good']} lines fit" in fit["words"]
    assert json.loads(json.dumps(fits)) == fits


def test_the_speed_at_which_it_speaks_is_found(far_end: FarEnd) -> None:
    """Heard at another speed a line is other bytes; the terminal tells the far end what the host has set."""
    dialect = load_dialect("status-line")
    line = dialect.examples[0][0] + dialect.terminator
    tried: list[LineSettings] = []

    class At2400(Talker):
        def said(self) -> bytes:
            same = termios.tcgetattr(far_end.master)[5] == termios.B2400
            return line if same else bytes(byte ^ 0xA6 for byte in line)

    with At2400(far_end, line):
        fits = listen(far_end.port, each=0.3, settings=[*ONE, LineSettings(4800)], progress=tried.append)
    best = fits[0]
    assert (best["dialect"], best["clear"], best["settings"]) == ("status-line", True, "2400 8N1")
    assert tried == ONE  # a clear fit ends the search
    assert [(fit["dialect"], fit["settings"]) for fit in fits[1:]] == [(None, "9600 8N1")]


def test_lines_between_noise_are_no_clear_fit(far_end: FarEnd) -> None:
    dialect = load_dialect("status-line")
    with Talker(far_end, dialect.examples[0][0] + dialect.terminator + b"ST,+0001\xe62.345,g\r\n"):
        (fit,) = listen(far_end.port, each=0.3, settings=ONE[:1])
    assert fit["good"] >= 3
    assert fit["refused"] >= 3
    assert not fit["clear"]


def test_a_slow_balance_is_given_time(far_end: FarEnd) -> None:
    dialect = load_dialect("status-line")
    with Talker(far_end, dialect.examples[0][0] + dialect.terminator, every=0.15):
        (fit,) = listen(far_end.port, each=0.25, settings=ONE[:1])
    assert fit["clear"]


def test_what_no_dialect_explains_is_shown(far_end: FarEnd) -> None:
    with Talker(far_end, b"\xe6\x9e\x80\x00\xf8"):
        fits = listen(far_end.port, each=0.3, settings=ONE)
    assert [(fit["dialect"], fit["clear"]) for fit in fits] == [(None, False)] * 2
    assert "no dialect explains" in fits[0]["words"]
    assert fits[0]["samples"][0].startswith("\\x") or "\\xe6" in fits[0]["samples"][0]


def test_silence_is_an_empty_list(far_end: FarEnd) -> None:
    assert listen(far_end.port, each=0.2, settings=ONE[:1], clock=RealClock(3)) == []


def test_the_time_given_is_kept(far_end: FarEnd) -> None:
    tried: list[LineSettings] = []
    listen(far_end.port, 0.5, each=0.2, clock=RealClock(2), progress=tried.append)
    assert 1 <= len(tried) <= 3


def test_a_port_that_is_not_there_is_an_error_in_words() -> None:
    with pytest.raises(DeviceLost, match="cannot be opened"):
        listen("/dev/no-such-port", each=0.1, settings=ONE[:1])


def test_listing_ports_needs_no_hardware() -> None:
    for line in list_ports():
        assert line["device"]
