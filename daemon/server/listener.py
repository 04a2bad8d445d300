"""The places where clients knock: sockets that are listened at whatever the machine is short of."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import json
import logging
import os
import socket
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

log = logging.getLogger(__name__)

#: Callers that the system keeps waiting for us.
BACKLOG = 100
#: Pause before the next try when nobody can be let in, s.
RETRY_EVERY = 1.0
#: This many clients are served however low the system's limit is.
FEWEST_CLIENTS = 4
#: File handles that clients leave to the store, the ports and whatever else the daemon opens.
RESERVED = 64
#: A shortage is reported once in this many seconds.
TELL_EVERY = 60.0


def unix_socket(path: Path) -> socket.socket:
    """A listening socket at ``path`` that only the owner can open. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    # Made beside its place and moved there when it listens: who sees it can connect, and only the owner.
    fresh = path.with_name(path.name + "~")
    fresh.unlink(missing_ok=True)
    line = socket.socket(socket.AF_UNIX)
    before = os.umask(0o177)
    try:
        line.bind(str(fresh))
    finally:
        os.umask(before)
    os.chmod(fresh, 0o600)
    line.listen(BACKLOG)
    fresh.replace(path)  # the store's lock says that no other daemon is alive
    return line


def tcp_socket(host: str, port: int) -> socket.socket:
    """A listening socket at ``host:port``. Raises OSError."""
    family, kind, number, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    line = socket.socket(family, kind, number)
    if os.name != "nt":
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        line.bind(address)
        line.listen(BACKLOG)
    except OSError:
        line.close()
        raise
    return line


def is_loopback(host: str) -> bool:
    """Whether an address is this machine's own, which nobody else can reach."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def write_key(place: Path, host: str, port: int, key: str) -> None:
    """Write where the daemon is and the key to say there into ``place``, for the owner alone."""
    place.parent.mkdir(parents=True, exist_ok=True)
    place.unlink(missing_ok=True)
    handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with open(handle, "w", encoding="utf-8") as file:
        json.dump({"host": host, "port": port, "token": key}, file)


def room_for_clients(most: int) -> int:
    """How many clients may be served, ``most`` at the most, so that the daemon itself has file handles left.

    The process's own limit is raised first as far as the system lets it.
    """
    try:
        import resource
    except ImportError:  # a system without such limits
        return most
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = most + RESERVED
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return most if soft == resource.RLIM_INFINITY else max(min(most, soft - RESERVED), FEWEST_CLIENTS)


async def accept_all(line: socket.socket, let_in: Callable[[socket.socket], Awaitable[None]]) -> None:
    """Hand every caller at ``line`` to ``let_in``, until cancelled.

    Where the process has no file handle left the caller waits, we say so once and try again: asyncio's own
    listening fills the log with tracebacks then.
    """
    loop = asyncio.get_running_loop()
    line.setblocking(False)
    reported: float | None = None
    with contextlib.closing(line):
        while True:
            try:
                caller, _ = await loop.sock_accept(line)
                await let_in(caller)
            except OSError as error:
                if reported is None or time.monotonic() - reported > TELL_EVERY:
                    reported = time.monotonic()
                    log.error("no further client can be served now: %s", error.strerror or error)
                await asyncio.sleep(RETRY_EVERY)
