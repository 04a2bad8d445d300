"""`--check`: would the daemon start, and would it be well? Changes nothing."""

from __future__ import annotations

import sys
from pathlib import Path

from .health import DiskGuard
from .paths import lock_folder
from .server.client import ClientError, find
from .store.locks import AlreadyRunning, StoreLock
from .store.store import Store, StoreError


def check(store: Path, socket: Path, bench: Path | None) -> int:
    """Print one line a finding; 0 when all is well, else 1."""
    faults = [*_store(store), *_socket(socket), *(_bench(bench) if bench is not None else [])]
    for fault in faults:
        print(fault, file=sys.stderr)
    if not faults:
        print(f"All well: store {store}, clients at {socket}" + (f", bench {bench}" if bench else ""))
    return 1 if faults else 0


def _store(path: Path) -> list[str]:
    folder = path.absolute().parent
    while not folder.exists():
        folder = folder.parent
    faults = [trouble] if (trouble := DiskGuard(folder).trouble()) else []
    if path.exists():
        try:
            with Store(path, read_only=True) as store:
                faults += [f"store {path}: {fault}" for fault in store.verify()]
        except StoreError as error:
            faults.append(str(error))
    if folder == path.absolute().parent:
        lock = StoreLock(path, lock_folder())
        try:
            lock.take()
            lock.release()
        except (AlreadyRunning, OSError) as error:
            faults.append(str(error))
    return faults


def _socket(path: Path) -> list[str]:
    if not path.exists():
        return []
    from .server.client import Client

    try:
        find(path)
        Client.connect(path, timeout=2.0).close()
    except ClientError:
        return []  # left behind by a daemon that was killed; the next one replaces it
    return [f"a daemon answers at {path} already"]


def _bench(path: Path) -> list[str]:
    from ..analysis.errors import InputError
    from ..analysis.files.bench_file import read_bench
    from ..drivers.balance.dialects import load_dialect
    from ..drivers.device import DeviceError

    try:
        bench = read_bench(path)
    except (InputError, OSError) as error:
        return [str(error)]
    faults: list[str] = []
    try:
        load_dialect(bench.balance.dialect)
    except DeviceError as error:
        faults.append(str(error))
    for what, port in (("balance", bench.balance.port), ("lift", bench.lift_port)):
        if port and "://" not in port and port.startswith("/") and not Path(port).exists():
            faults.append(f"{what}: there is no port {port}; `weighloop ports` lists those there are")
    return faults
