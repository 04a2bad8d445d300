"""Ports found again by who the adapter is, whatever it is called now."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from weighloop.drivers.serial.identity import PortIdentity, PortRecord, find, records

ADAPTER = PortIdentity(0x0403, 0x6001, "WP0701")
SAME_KIND = PortIdentity(0x0403, 0x6001, "WP0702")
NUMBERLESS = PortIdentity(0x1A86, 0x7523)


def here(**ports: PortIdentity | None):
    known = [PortRecord(f"/dev/{name}", None, "", identity) for name, identity in ports.items()]
    return {"list_records": lambda: known, "exists": lambda path: path in {r.device for r in known}}


def test_first_time_the_name_counts() -> None:
    found = find("/dev/a", None, **here(a=ADAPTER))
    assert (found.device, found.identity) == ("/dev/a", ADAPTER)
    assert find("/dev/a", None, **here(b=ADAPTER)).device is None


@pytest.mark.parametrize(
    ("ports", "device", "words"),
    [
        ({"a": ADAPTER}, "/dev/a", "/dev/a"),
        ({"b": ADAPTER}, "/dev/b", "is now /dev/b"),
        ({"a": SAME_KIND, "b": ADAPTER}, "/dev/b", "is now /dev/b"),
        ({"a": SAME_KIND}, None, "is awaited"),
        ({"a": None}, None, "without USB identity"),
        ({}, None, "is not there"),
    ],
)
def test_afterwards_the_identity_counts(ports: dict, device: str | None, words: str) -> None:
    found = find("/dev/a", ADAPTER, **here(**ports))
    assert found.device == device
    assert words in found.why


def test_two_adapters_that_cannot_be_told_apart_are_not_guessed() -> None:
    found = find("/dev/a", NUMBERLESS, **here(b=NUMBERLESS, c=NUMBERLESS))
    assert found.device is None
    assert "by-id" in found.why
    assert find("/dev/a", NUMBERLESS, **here(b=NUMBERLESS)).device == "/dev/b"


def test_a_port_name_that_is_no_file_is_there_when_listed() -> None:
    listed = [PortRecord("COM3", None, "", ADAPTER)]
    found = find("COM3", None, lambda: listed, lambda path: False)
    assert (found.device, found.identity) == ("COM3", ADAPTER)
    assert find("COM4", ADAPTER, lambda: listed, lambda path: False).device == "COM3"


def test_a_file_under_the_name_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "port"
    file.write_text("")
    found = find(str(file), None)
    assert (found.device, found.why) == (None, f"{file} is a file, not a serial port")
    found = find(str(tmp_path), ADAPTER)
    assert (found.device, found.why) == (None, f"{tmp_path} ({ADAPTER}) is not there")


def test_a_url_is_taken_as_it_is() -> None:
    assert find("socket://10.0.0.1:5000", None, **here()).device == "socket://10.0.0.1:5000"


def test_records_carry_the_stable_name(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-adapter-if00").symlink_to(device)
    port = SimpleNamespace(
        device=str(device), vid=0x0403, pid=0x6001, serial_number="WP0701", description="x"
    )
    (record,) = records(lambda: [port], by_id)
    assert record.stable_name == str(by_id / "usb-adapter-if00")
    assert record.identity == ADAPTER
