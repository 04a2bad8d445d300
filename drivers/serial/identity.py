"""Finds a port again after the operating system gave it another name.

A USB adapter is known by vendor number, product number and serial number. The name in the bench
file says which port is meant at first; from the first good contact on it is the identity that counts.

A port without USB identity is known by its name alone. For a built-in port that is enough. A
pseudo-terminal's own name (``/dev/pts/4``) is only a number, which the system gives to the next who asks:
once gone it never comes back, and what stands there later is somebody else's. A link that its owner makes
again is followed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

BY_ID = Path("/dev/serial/by-id")
#: Pseudo-terminals, on Linux and on macOS.
PSEUDO_TERMINAL = re.compile(r"/dev/(pts/\d+|ttys\d+)")
#: Links followed from a name to its device.
LONGEST_CHAIN = 16


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


#: A file entry: file system, number, and when it was made. Writing to a terminal leaves its ctime alone.
Entry = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Node:
    """What stands under a name: the device behind it, and the links on the way there."""

    device: Entry
    links: tuple[Entry, ...]
    path: str


def _entry(path: str) -> Entry:
    about = os.lstat(path)
    return about.st_dev, about.st_ino, about.st_ctime_ns


def node(port: str) -> Node | None:
    """What stands under ``port`` now; None where there is nothing."""
    links: list[Entry] = []
    try:
        while os.path.islink(port) and len(links) < LONGEST_CHAIN:
            links.append(_entry(port))
            port = os.path.join(os.path.dirname(port), os.readlink(port))
        return Node(_entry(port), tuple(links), os.path.realpath(port))
    except OSError:
        return None


def is_stranger(port: str, before: Node | None) -> bool:
    """Whether a pseudo-terminal's number has gone to somebody else since ``port`` was opened ``before``.

    Not where a link on the way was made again since: then its owner says that this is the one.
    """
    now = node(port)
    if before is None or now is None or not PSEUDO_TERMINAL.fullmatch(now.path):
        return False
    return now.device != before.device and now.links == before.links


def other_than_port(port: str) -> str:
    """What stands under a name that is no serial port, in words; "" where there may be one."""
    kinds = ((os.path.isdir, "a folder"), (os.path.isfile, "a file"))
    return next((f"{words}, not a serial port" for kind, words in kinds if kind(port)), "")


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
    *,
    before: Node | None = None,
) -> Found:
    """Where to open ``port``, whose adapter was ``remembered`` at the last good contact.

    ``before`` is what stood under the name when it was last opened. The same adapter under another name
    is followed; another adapter under the old name is refused. An adapter without a serial number is
    followed only where it is the one of its kind.
    """
    if is_url(port):
        return Found(port, None, port)
    known = list_records()
    # Port names that are no files (other systems) are there when they are listed.
    other = other_than_port(port)
    there = (exists(port) and not other) or any(record.device == port for record in known)
    real = os.path.realpath(port)
    under_name = next((r for r in known if os.path.realpath(r.device) == real), None)
    here = under_name.identity if under_name else None
    if remembered is None:
        if here is None and is_stranger(port, before):
            why = f"{port} has been given to somebody else; name the port by a link that stays"
            return Found(None, None, why)
        return Found(port, here, port) if there else Found(None, None, f"{port} is {other or 'not there'}")
    if there and here == remembered:
        return Found(port, here, port)
    elsewhere = [r for r in known if r.identity == remembered]
    if len(elsewhere) == 1:
        return Found(elsewhere[0].device, remembered, f"{remembered} is now {elsewhere[0].device}")
    if len(elsewhere) > 1:
        return Found(None, None, f"{len(elsewhere)} adapters are {remembered}; use a by-id name")
    if there:
        now = str(here) if here else "a port without USB identity"
        return Found(None, here, f"{port} is now {now}; {remembered} was used before and is awaited")
    return Found(None, None, f"{port} ({remembered}) is not there")
