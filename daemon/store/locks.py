"""Locks held by this process while it lives; the system releases them however it ends.

A lock's file says who holds it, for the one who comes second, and outlives its holder: the store's also
remembers how far the store had come.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import IO, Any

from .store import Mark, StoreError

#: Where the system's lock lies in the file: behind what can be read by others meanwhile.
FAR = 1 << 30
#: What is said in a lock's file is padded to this, so that it is replaced in one write.
LENGTH = 1024


class AlreadyRunning(StoreError):
    """Another daemon owns what is asked for; the message says who, ``socket`` where it serves clients."""

    socket: str | None = None


class FileLock:
    """One lock. ``what`` is what it guards, in words: ``another daemon owns <what>``."""

    def __init__(self, path: Path, what: str) -> None:
        self.path, self._what = path, what
        self._file: IO[bytes] | None = None
        self.before: dict[str, Any] = {}  # what the last holder said

    def take(self, **says: Any) -> None:
        """Take it and say of oneself ``says``. Raises AlreadyRunning, or OSError where there is no place."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        while True:
            file = os.fdopen(os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600), "r+b", buffering=0)
            self.before = _read(file)
            try:
                self._lock(file)
            except OSError:
                file.close()
                raise AlreadyRunning(
                    f"another daemon owns {self._what} ({_who(self.before)}lock {self.path}); "
                    "connect to it, or stop it first"
                ) from None
            if _same(file, self.path):
                break
            file.close()  # its holder has just gone and taken the file with it
        self._file = file
        if says:
            self.say(**says)

    @staticmethod
    def _lock(file: IO[bytes]) -> None:
        if os.name == "nt":
            import msvcrt

            file.seek(FAR)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    @property
    def held(self) -> bool:
        """Whether this process holds it."""
        return self._file is not None

    def say(self, **says: Any) -> None:
        """Replace what the file says. Raises OSError on a full disk."""
        if self._file is None:
            return
        text = json.dumps({"pid": os.getpid(), **says}).encode()
        self._file.seek(0)
        self._file.write(text.ljust(LENGTH) + b"\n")

    def release(self, *, remove: bool = False) -> None:
        """Release it; the file stays unless it is to be removed."""
        if self._file is not None:
            if remove and os.name != "nt":
                self.path.unlink(missing_ok=True)
            self._file.close()
            self._file = None


def _same(file: IO[bytes], path: Path) -> bool:
    """Whether the file is still the one of that name."""
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False


def _read(file: IO[bytes]) -> dict[str, Any]:
    try:
        said = json.loads(file.read(4 * LENGTH) or b"{}")
    except (ValueError, OSError):
        return {}
    return said if isinstance(said, dict) else {}


def _who(said: dict[str, Any]) -> str:
    parts = [f"process {said['pid']}" if "pid" in said else ""]
    parts += [
        f"{name} {said[key]}" for key, name in (("store", "store"), ("socket", "clients at")) if key in said
    ]
    return "".join(f"{part}, " for part in parts if part)


class StoreLock:
    """Held while this process owns the store, whatever names its file has.

    One lock lies beside the file (symbolic links followed); one among the user's locks names the file itself,
    so that a hard link elsewhere is the same store. ``locks`` is the folder of those.
    """

    def __init__(self, store: Path, locks: Path) -> None:
        self._store, self._locks = store.resolve(), locks
        self._beside = FileLock(self._store.with_name(self._store.name + ".lock"), f"the store {store}")
        self._file: FileLock | None = None
        self._says: dict[str, Any] = {}

    def take(self) -> None:
        """Raises AlreadyRunning, or OSError where there is no place for the lock."""
        try:
            self._beside.take()
        except AlreadyRunning as error:
            error.socket = self._beside.before.get("socket")
            raise
        try:
            self.name_file()
        except AlreadyRunning:
            self._beside.release()
            raise

    def name_file(self) -> None:
        """Take the file's own lock too, once there is a file. Raises AlreadyRunning."""
        if self._file is not None or not self._store.exists():
            return
        found = self._store.stat()
        name = f"store-{found.st_dev:x}-{found.st_ino:x}.lock"
        lock = FileLock(self._locks / name, f"the file of the store {self._store}")
        try:
            lock.take(store=str(self._store))
        except AlreadyRunning:
            raise
        except OSError:
            return  # no folder for the user's locks: a hard link is not seen then
        self._file = lock

    @property
    def seen(self) -> Mark | None:
        """How far the store in this place was seen to have come before; None where that is not known."""
        mark = self._beside.before.get("mark")
        try:
            return Mark(str(mark[0]), int(mark[1]), str(mark[2])) if mark else None
        except (TypeError, ValueError, IndexError):
            return None

    def say(self, **says: Any) -> None:
        """Say of oneself, for the one who comes second, and remember the store's mark."""
        if says.items() <= self._says.items():
            return
        self._says |= says
        self._beside.say(**self._says)

    def release(self) -> None:
        """Release both."""
        self._beside.release()
        if self._file is not None:
            self._file.release(remove=True)
            self._file = None
