"""Finds a port again after the operating system gave it another name.

A USB adapter is known by vendor number, product number and serial number. The name in the bench
file says which port is meant at first; from the first good contact on it is the identity that counts.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class PortIdentity:
    """Who an adapter is. ``serial_number`` is None where the adapter has none of its own."""

    vid: int
    pid: int
    serial_number: str | None = None

    def __str__(self) -> str:
        number = f", serial number {self.serial_number}" if self.serial_number else ""
        return f"USB {self.vid:04x}:{self.pid:04x}{number}"


@dataclass(frozen=True, slots=True)
class PortRecord:
    """One serial port of this machine. ``stable_name`` survives replugging where there is one."""

    device: str
    stable_name: str | None
    description: str
    identity: PortIdentity | None


def is_url(port: str) -> bool:
    """Whether a port is a URL (``socket://``, ``rfc2217://`` ...): those have no USB identity."""
    return "://" in port


def _comports() -> Iterable[Any]:
    from serial.tools.list_ports import comports

    return comports()


def stable_name(device: str, by_id: Path = BY_ID) -> str | None:
    """The by-id name of a device, None where the system has none."""
    try:
        links = sorted(by_id.iterdir())
    except OSError:
        return None
    for link in links:
        if os.path.realpath(link) == os.path.realpath(device):
            return str(link)
    return None


def records(comports: Callable[[], Iterable[Any]] = _comports, by_id: Path = BY_ID) -> list[PortRecord]:
    """All serial ports the system knows, sorted by name."""
    found = []
    for port in comports():
        identity = None
        if port.vid is not None and port.pid is not None:
            identity = PortIdentity(port.vid, port.pid, port.serial_number or None)
        found.append(
            PortRecord(port.device, stable_name(port.device, by_id), port.description or "", identity)
        )
    return sorted(found, key=lambda record: record.device)


@dataclass(frozen=True, slots=True)
class Found:
    """Where a port is now: ``device`` to open, or None and ``why`` in words."""

    device: str | None
    identity: PortIdentity | None
    why: str


def find(
    port: str,
    remembered: PortIdentity | None,
    list_records: Callable[[], list[PortRecord]] = records,
    exists: Callable[[str], bool] = os.path.exists,
) -> Found:
    """Where to open ``port``, whose adapter was ``remembered`` at the last good contact.

    The same adapter under another name is followed; another adapter under the old name is
    refused. An adapter without a serial number is followed only where it is the one of its kind.
    """
    if is_url(port):
        return Found(port, None, port)
    known = list_records()
    # Port names that are no files (other systems) are there when they are listed.
    there = exists(port) or any(record.device == port for record in known)
    real = os.path.realpath(port)
    under_name = next((r for r in known if os.path.realpath(r.device) == real), None)
    here = under_name.identity if under_name else None
    if remembered is None:
        return Found(port, here, port) if there else Found(None, None, f"{port} is not there")
    if there and here == remembered:
        return Found(port, here, port)
    elsewhere = [r for r in known if r.identity == remembered]
    if len(elsewhere) == 1:
        return Found(elsewhere[0].device, remembered, f"{remembered} is now {elsewhere[0].device}")
    if len(elsewhere) > 1:
        return Found(None, None, f"{len(elsewhere)} adapters are {remembered}; use a by-id name")
    if there:
        other = str(here) if here else "a port without USB identity"
        return Found(None, here, f"{port} is now {other}; {remembered} was used before and is awaited")
    return Found(None, None, f"{port} ({remembered}) is not there")
