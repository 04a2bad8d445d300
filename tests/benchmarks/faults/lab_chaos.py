"""A lab under attack: each of its parts killed again and again while three benches weigh.

    python -m tests.benchmarks.faults.lab_chaos [--minutes 30] [--speed 10]

Three daemons on bench twins weigh loop after loop. In turn a forwarder and the archivist are killed, the
broker is killed, the database is stopped at once, the network between benches and broker is cut, and once the
archive is put back from an old copy. Then all is left alone, and every row of every store is compared with
the archive's.
"""

from __future__ import annotations

import argparse
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from weighloop.daemon.lab.archive import Archive, ArchiveError
from weighloop.daemon.lab.engines import Engines, free_port
from weighloop.daemon.lab.messages import TABLES
from weighloop.daemon.lab.trial import arrived, lab_process
from weighloop.daemon.server.client import ClientError
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.daemon.store.store import Store

BENCHES = ("bench-1", "bench-2", "bench-3")
#: Between two attacks, and how long what was stopped stays away, s.
EVERY, AWAY = 6.0, 2.0
#: How long the lab may take to come right at the end, s.
PATIENCE = 180.0


class Cable:
    """The network between benches and broker: it can be cut, and joined again."""

    def __init__(self, broker_port: int) -> None:
        self.port, self._broker = free_port(), broker_port
        self.whole = threading.Event()
        self.whole.set()
        self._lines: set[socket.socket] = set()
        self._listening = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
                far = (
                    socket.create_connection(("127.0.0.1", self._broker), 2) if self.whole.is_set() else None
                )
            except OSError:
                if self._listening.fileno() < 0:
                    return
                with suppress(OSError, UnboundLocalError):
                    near.close()
                continue
            if far is None:
                near.close()
                continue
            self._lines |= {near, far}
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            one.settimeout(None)
            while data := one.recv(65536):
                other.sendall(data)
        for line in (one, other):
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            self._lines.discard(line)

    def cut(self) -> None:
        """End what is on the way, and let nothing through."""
        self.whole.clear()
        for line in list(self._lines):
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.cut()
        self._listening.close()


class LabPart:
    """A process of the lab's that is killed and started again."""

    def __init__(self, stack: ExitStack, *words: str, log: Path) -> None:
        self._stack, self._words, self._log = stack, words, log
        self._start()

    def _start(self) -> None:
        self._process = self._stack.enter_context(lab_process(*self._words, log=self._log))

    def kill(self) -> None:
        """At once, and begin another."""
        self._process.kill()
        self._process.wait()
        self._start()


@contextmanager
def weighing(
    path: Path, seed: int, speed: float, ended: threading.Event, loops: Counter[str]
) -> Iterator[None]:
    """A daemon on a bench twin that weighs loop after loop until ``ended``."""
    with Rehearsal(path, seed=seed, speed=speed, turner=True) as rehearsal:

        def weigh() -> None:
            with suppress(ClientError, OSError), rehearsal.client() as client:
                client.call("control.take", name="chaos", force=True)
                while not ended.is_set():
                    settings = {"points": 8, "target_u_kg": None, "name": None}
                    client.call("run.start", bench_text=rehearsal.bench_text, **settings)
                    loops[rehearsal.operate(client)["state"]] += 1

        person = threading.Thread(target=weigh, daemon=True)
        person.start()
        yield
        person.join(300)


def restore(engines: Engines, copy: Path) -> None:
    """The database as it was when the copy was made."""
    engines.stop_database_at_once()
    data = copy.parent / "data"
    shutil.rmtree(data)
    shutil.copytree(copy, data, copy_function=shutil.copy2)
    for place in (data, *data.rglob("*")):
        shutil.chown(place, *_owner(copy.parent))
    engines.start_database()


def _owner(place: Path) -> tuple[int, int]:
    found = place.stat()
    return found.st_uid, found.st_gid


def attacks(stack: ExitStack, engines: Engines, folder: Path, cable: Cable) -> dict[str, Callable[[], None]]:
    """What can be done to the lab, by name."""
    through = ("--broker", f"127.0.0.1:{cable.port}")
    direct = ("--broker", f"127.0.0.1:{engines.broker_port}")
    archivist = LabPart(stack, "archive", "--database", engines.dsn, *direct, log=folder / "archive.log")
    senders = [
        LabPart(
            stack, "forward", "--bench", bench, "--store", str(folder / f"{bench}.sqlite"), *through,
            log=folder / f"{bench}.log",
        )
        for bench in BENCHES
    ]  # fmt: skip
    turn = iter(range(10**9))

    def broker() -> None:
        engines.kill_broker()
        time.sleep(AWAY)
        engines.start_broker()

    def database() -> None:
        engines.stop_database_at_once()
        time.sleep(AWAY)
        engines.start_database()

    def network() -> None:
        cable.cut()
        time.sleep(AWAY)
        cable.whole.set()

    return {
        "forwarder killed": lambda: senders[next(turn) % len(senders)].kill(),
        "archivist killed": archivist.kill,
        "broker killed": broker,
        "database stopped at once": database,
        "network cut": network,
    }


def compared(dsn: str, stores: dict[str, Path]) -> list[tuple[str, str, int, int, int, int]]:
    """Bench, table, rows stored, lost, doubled, differing; once all is there, or patience is over."""
    deadline = time.monotonic() + PATIENCE
    while True:
        rows, whole = [], True
        with suppress(ArchiveError), Archive(dsn) as archive:
            for bench, path in stores.items():
                with Store(path, read_only=True) as store:
                    for table in TABLES:
                        found = arrived(archive, store, bench, table)
                        whole = whole and found.whole
                        rows.append((bench, table, found.stored, found.lost, found.doubled, found.differing))
            if whole or time.monotonic() > deadline:
                return rows
        time.sleep(1.0)


def main() -> int:
    """Exit status 0 where nothing was lost, doubled or different."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--speed", type=float, default=10.0)
    o = parser.parse_args()
    done: Counter[str] = Counter()
    loops: Counter[str] = Counter()
    ended = threading.Event()
    with tempfile.TemporaryDirectory() as place, ExitStack() as stack:
        folder = Path(place)
        stores = {bench: folder / f"{bench}.sqlite" for bench in BENCHES}
        engines = stack.enter_context(Engines())
        with Archive(engines.dsn) as archive:
            archive.migrate()
        cable = Cable(engines.broker_port)
        stack.callback(cable.close)
        # The benches last: they end first, and the lab takes in what they wrote at the very end.
        how = attacks(stack, engines, folder, cable)
        with ExitStack() as benches:
            for seed, path in enumerate(stores.values(), start=1):
                benches.enter_context(weighing(path, seed, o.speed, ended, loops))
            until, copy = time.monotonic() + 60 * o.minutes, None
            half = time.monotonic() + 30 * o.minutes
            while time.monotonic() < until:
                for name, attack in how.items():
                    attack()
                    done[name] += 1
                    time.sleep(EVERY)
                if copy is None:
                    copy = copied(engines)
                elif time.monotonic() > half and not done["archive put back from a copy"]:
                    restore(engines, copy)
                    done["archive put back from a copy"] += 1
            ended.set()
        rows = compared(engines.dsn, stores)
    print(f"{o.minutes:g} minutes; loops: {dict(loops)}")
    for name, count in done.items():
        print(f"{name:30} {count}")
    print(f"{'bench':10} {'table':8} {'stored':>8} {'lost':>6} {'doubled':>8} {'differing':>10}")
    for bench, table, stored, lost, doubled, differing in rows:
        print(f"{bench:10} {table:8} {stored:8} {lost:6} {doubled:8} {differing:10}")
    return int(any(lost or doubled or differing for *_, lost, doubled, differing in rows) or not rows)


def copied(engines: Engines) -> Path:
    """A copy of the archive's files, the database being stopped meanwhile."""
    engines.stop_database_at_once()
    copy = engines.folder / "copy"
    shutil.copytree(engines.folder / "data", copy)
    engines.start_database()
    return copy


if __name__ == "__main__":
    sys.exit(main())
