"""In a process of its own, with ``failing_disk.c`` loaded first: every n-th call to the disk fails, n by n.

Prints what went wrong, one line each, and at the end how many calls a run makes.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import sqlite3
import sys
import tempfile
from pathlib import Path

from weighloop.daemon.store.raw_blocks import Raw
from weighloop.daemon.store.store import Store, StoreError

READINGS = 12
UTC = "2026-01-01T00:00:00Z"


def short_run(path: Path) -> list[int]:
    """A run of readings, each committed before it is told; tried again while the disk fails, three times."""
    told: list[int] = []
    try:
        with Store(path) as store:
            store.begin_session("boot", "test", UTC, 0.0)
            for n in range(READINGS):
                entry = (1, float(n), UTC, "note", f"reading {n}", {"n": n}, f"1:{n}")
                for _ in range(3):
                    try:
                        (event,) = store.append([entry], [(1, [Raw(float(n), 1e-3, "steady")])])
                        told.append(event.data["n"])
                        break
                    except sqlite3.Error:
                        continue
                if n % 5 == 4:
                    with contextlib.suppress(sqlite3.Error):
                        store.pack_tail(1)
                        store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except (StoreError, sqlite3.Error):
        pass  # a defined outcome: the daemon says so in words and does not start
    return told


def faults(path: Path, told: list[int]) -> list[str]:
    """What is wrong with the store afterwards, the disk being whole again."""
    with Store(path) as store:
        kept = [e.data["n"] for e in store.events(1)]
        found = store.verify()
        raw = len(store.raw(1).time_s)
    lost = sorted(set(told) - set(kept))
    found += [f"told and lost: {lost}"] if lost else []
    found += ["an entry twice"] if len(kept) != len(set(kept)) else []
    found += [f"{raw} raw readings of {len(kept)}"] if raw < len(kept) else []
    return found


def main() -> None:
    """Every n, once and for good, as a faulty disk and as a full one."""
    disk = ctypes.CDLL(None)
    memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # a sync costs nothing there
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        disk.fail_at(ctypes.c_long(10**9), 0, errno.EIO)
        short_run(Path(folder) / "0" / "store.sqlite")
        most = disk.calls()
        for for_good, error in ((0, errno.EIO), (1, errno.ENOSPC)):
            for n in range(1, most + 1):
                path = Path(folder) / f"{n}-{error}" / "store.sqlite"
                path.parent.mkdir()
                disk.fail_at(ctypes.c_long(n), for_good, error)
                told = short_run(path)
                disk.fail_at(ctypes.c_long(-1), 0, error)
                for fault in faults(path, told):
                    print(f"call {n}, error {error}: {fault}")
        print("calls", most, file=sys.stderr)


if __name__ == "__main__":
    main()
