"""Whether the daemon is well: disk, ages, watchdog, and faults that repeat."""

from __future__ import annotations

import os
import shutil
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

#: Below this much free space a run is held and raw readings are no longer kept, bytes.
DISK_LEAST = 200 * 1024 * 1024
#: A fault that repeats is reported again with its count after this many s of the machine's time.
REPEAT_EVERY = 600.0
#: What is to be written waits no longer than this where all is well, s of the machine's time.
WRITER_PATIENCE = 10.0


class Repeats:
    """A fault that repeats is said the first time, then counted, and the count said at the last."""

    def __init__(self, every: float = REPEAT_EVERY, now: Callable[[], float] = time.monotonic) -> None:
        self._every, self._now = every, now
        self._seen: dict[str, dict[str, tuple[int, float]]] = {}

    def say(self, about: str, text: str, example: str = "") -> list[str]:
        """What should be written about this occurrence: nothing, or some lines."""
        shown = f"{text} {example}".strip()
        known = self._seen.setdefault(about, {})
        now = self._now()
        lines: list[str] = []
        for old, (count, since) in list(known.items()):
            if now - since > self._every:
                if count > 0:
                    lines.append(f"{old} ({count} more times)")
                del known[old]
        if text in known:
            count, since = known[text]
            known[text] = (count + 1, since)
        else:
            known[text] = (0, now)
            if len(known) > 50:  # a fault with ever new words
                del known[next(iter(known))]
            lines.append(shown)
        return lines

    def counts(self) -> dict[str, int]:
        """How often each kept fault came again since it was said."""
        return {text: n for known in self._seen.values() for text, (n, _) in known.items() if n}


class DiskGuard:
    """Watches the free space beside the store. ``free`` may be replaced in a test."""

    def __init__(
        self, folder: Path, least: int = DISK_LEAST, free: Callable[[Path], int] | None = None
    ) -> None:
        self.folder, self.least = folder, least
        self._free = free or (lambda path: shutil.disk_usage(path).free)

    def free(self) -> int:
        """Free bytes; 0 where it cannot be determined."""
        try:
            return self._free(self.folder)
        except OSError:
            return 0

    def trouble(self) -> str | None:
        """Why nothing more should be written, or None."""
        free = self.free()
        if free >= self.least:
            return None
        return (
            f"only {free / 1e6:.0f} MB are free beside the store, {self.least / 1e6:.0f} MB are wanted: "
            "make room, then let the run go on"
        )


def sd_notify(message: str) -> bool:
    """Tell the service manager (``READY=1``, ``WATCHDOG=1``, ``STATUS=...``); False where there is none."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address or not hasattr(socket, "AF_UNIX"):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.connect(address)
            line.sendall(message.encode())
    except OSError:
        return False
    return True


def watchdog_interval() -> float | None:
    """How often to feed the service manager's watchdog, s; None where it is not armed."""
    limit = os.environ.get("WATCHDOG_USEC")
    owner = os.environ.get("WATCHDOG_PID")
    if not limit or not limit.isdigit() or (owner and owner != str(os.getpid())):
        return None
    return int(limit) / 1e6 / 3


def verdict(facts: dict[str, Any]) -> tuple[bool, str]:
    """Whether all is well, and if not, the first reason why.

    ``facts`` as ``status`` collects them: state and why of the run, ages, store, disk.
    """
    if facts.get("conductor_age_s", 0.0) > 10.0:
        return False, "the daemon's own loop stands still"
    if facts.get("store_trouble"):
        return False, f"the store: {facts['store_trouble']}"
    if facts.get("writer_age_s", 0.0) > WRITER_PATIENCE:
        return False, writer_words(None)
    if facts.get("disk_trouble"):
        return False, facts["disk_trouble"]
    run = facts.get("run")
    if run is not None and run["state"] == "held":
        return False, f"run {run['id']} is held: {run['why']}"
    balance = facts.get("balance")
    if (
        balance is not None
        and balance["state"] != "ready"
        and (run is not None and run["state"] == "running")
    ):
        return False, f"the balance is {balance['state']}: {balance['why']}"
    return True, ""


def writer_words(trouble: str | None) -> str:
    """Nothing has been written for too long, in words."""
    why = trouble or "no reason is known"
    return f"nothing has been written to the store for {WRITER_PATIENCE:.0f} s: {why}"


def may_feed(facts: dict[str, Any]) -> bool:
    """Whether the watchdog may be fed: readings advance, or the state explains why they do not.

    A running run whose balance is said to be ready but whose last reading is old is not explained.
    """
    if facts.get("conductor_age_s", 0.0) > 10.0:
        return False
    if facts.get("writer_age_s", 0.0) > WRITER_PATIENCE and not facts.get("store_trouble"):
        return False  # a full disk explains itself, and what waits would be lost by a new start
    run, balance = facts.get("run"), facts.get("balance")
    if run is None or run["state"] != "running" or balance is None or balance["state"] != "ready":
        return True
    age = balance["age_s"]
    return age is not None and age < 60.0
