"""A lab on one machine, to see that it works: `python -m weighloop.daemon.lab.trial`, or `make lab`.

Broker and database of its own, three daemons on bench twins, forwarders, the archive; a loop on each, the
broker killed once on the way; then what arrived, row by row, and the figures from the archive beside those of
the benches.
"""

from __future__ import annotations

import argparse
import json
import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...analysis.errors import WeighloopError
from ..simulation.rehearsal import Rehearsal
from ..store.store import Store
from .archive import Archive
from .broker import BrokerAddress, BrokerConnection
from .engines import Engines
from .messages import COLUMNS, TABLES, Course, Table
from .reanalysis import Settings, reanalyse
from .source import STORED

#: How long a stopped broker is away, s.
AWAY = 5.0


@contextmanager
def lab_process(*words: str, log: Path | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A verb of the lab's as a process while the context lasts."""
    with log.open("ab") if log is not None else open("/dev/null", "ab") as out:
        started = subprocess.Popen(
            [sys.executable, "-m", "weighloop.tui.cli", "lab", *words],
            stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True,
        )  # fmt: skip
    try:
        yield started
    finally:
        started.terminate()
        try:
            started.wait(10)
        except subprocess.TimeoutExpired:
            started.kill()
            started.wait()


@dataclass(frozen=True)
class Arrived:
    """What the archive has of one table of one store, compared column by column."""

    stored: int
    lost: int
    doubled: int
    differing: int

    @property
    def whole(self) -> bool:
        """Whether everything is there, once and the same."""
        return not (self.lost or self.doubled or self.differing)


def arrived(archive: Archive, store: Store, bench: str, table: Table) -> Arrived:
    """The archive's rows beside the store's."""
    query = f"SELECT {COLUMNS[table]} FROM {STORED[table]} ORDER BY id"
    here = {row[0]: row for row in store.db.execute(query)}
    identity = store.identity
    found = archive.rows(Course(bench, identity["uuid"], identity["epoch"]), table)
    there = {row[0]: row for row in found}
    differing = sum(there[n] != row for n, row in here.items() if n in there)
    extra = len(found) - len(there) + len(there.keys() - here.keys())
    return Arrived(len(here), len(here.keys() - there.keys()), extra, differing)


def _weigh(rehearsal: Rehearsal, points: int, ended: dict[str, str], bench: str) -> None:
    """One whole loop at one bench, with the twin's hands."""
    try:
        with rehearsal.client() as client:
            client.call("control.take", name="lab", force=True)
            settings = {"points": points, "target_u_kg": None, "name": None}
            client.call("run.start", bench_text=rehearsal.bench_text, **settings)
            run = rehearsal.operate(client)
            ended[bench] = run["state"] + (f": {run['why']}" if run["why"] else "")
    except Exception as error:  # it stands in the table; the other benches go on
        ended[bench] = str(error)


def trial(folder: Path, benches: int, speed: float, points: int, workers: int) -> bool:
    """The whole of it; whether everything arrived and every figure is the bench's own."""
    names = [f"bench-{number}" for number in range(1, benches + 1)]
    stores = {name: folder / f"{name}.sqlite" for name in names}
    with ExitStack() as stack:
        print("starting broker, database, archive")
        engines = stack.enter_context(Engines())
        broker = ("--broker", f"127.0.0.1:{engines.broker_port}")
        archive = stack.enter_context(Archive(engines.dsn))
        archive.migrate()
        stack.enter_context(
            lab_process("archive", "--database", engines.dsn, *broker, log=folder / "archive.log")
        )
        print(
            f"starting {benches} daemons on bench twins, {speed:g} times as fast as life, and a loop on each"
        )
        ended: dict[str, str] = {}
        people: list[threading.Thread] = []
        for seed, (name, path) in enumerate(stores.items(), start=1):
            rehearsal = stack.enter_context(Rehearsal(path, seed=seed, speed=speed))
            words = ("forward", "--bench", name, "--store", str(path), *broker)
            words += ("--live", str(rehearsal.socket))
            stack.enter_context(lab_process(*words, log=folder / f"{name}.log"))
            people.append(threading.Thread(target=_weigh, args=(rehearsal, points, ended, name), daemon=True))
            people[-1].start()
        time.sleep(AWAY)
        print(f"killing the broker; it is back after {AWAY:g} s")
        engines.kill_broker()
        time.sleep(AWAY)
        engines.start_broker()
        for person in people:
            person.join()
        _print_live(engines.broker_port, names)
        print("the loops have ended; waiting for what is still on its way")
        good = _compared(archive, stores, ended)
        good = _figures_compared(archive, stores, workers) and good
        print("\nthe benches' biases, by the sample that all of them weighed", flush=True)
        sample = archive.db.execute("SELECT max(sample) FROM runs").fetchone() or ("",)
        command = [sys.executable, "-m", "weighloop.tui.cli", "lab", "biases", str(sample[0])]
        return not subprocess.run([*command, "--database", engines.dsn]).returncode and good


def _print_live(port: int, names: Sequence[str], patience: float = 20.0) -> None:
    """Print the live values that the broker keeps for who comes."""
    link = BrokerConnection(BrokerAddress(port=port), "trial", ["weighloop/+/live"])
    heard: dict[str, Any] = {}
    deadline = time.monotonic() + patience
    try:
        while len(heard) < len(names) and time.monotonic() < deadline:
            with suppress(queue.Empty):
                topic, payload = link.heard.get(timeout=1.0)
                if topic:
                    heard[topic.split("/")[1]] = json.loads(payload)
    finally:
        link.close()
    for name in names:
        print(f"{name:10} live: {json.dumps(heard.get(name, 'nothing was heard'))}")


def _compared(
    archive: Archive, stores: dict[str, Path], ended: dict[str, str], patience: float = 60.0
) -> bool:
    """Print what arrived, once it is all there or patience (s) is over."""
    deadline = time.monotonic() + patience
    with ExitStack() as stack:
        opened = {name: stack.enter_context(Store(path, read_only=True)) for name, path in stores.items()}
        while True:
            found = {(n, t): arrived(archive, s, n, t) for n, s in opened.items() for t in TABLES}
            whole = all(one.whole for one in found.values())
            if whole or time.monotonic() > deadline:
                break
            time.sleep(0.5)
    print(f"\n{'bench':10} {'table':8} {'stored':>7} {'lost':>6} {'doubled':>8} {'differing':>10}   loop")
    for (name, table), one in found.items():
        numbers = f"{one.stored:7} {one.lost:6} {one.doubled:8} {one.differing:10}"
        print(f"{name:10} {table:8} {numbers}   {ended.get(name, 'not begun') if table == 'events' else ''}")
    return whole and all(said.startswith("finished") for said in ended.values()) and len(ended) == len(stores)


def _figures_compared(archive: Archive, stores: dict[str, Path], workers: int) -> bool:
    """Analyse from the archive and from each bench's store; print whether the two are the same bits."""
    settings, analysed, good = Settings(trials=2000), set[str](), True
    print(f"\nfigures from the archive by {workers} workers, beside those of each bench's own store")
    for done in reanalyse(archive, settings, workers=workers):
        course, run = done.run.course, done.run.run
        analysed.add(course.bench)
        expected = _figures_at_the_bench(stores[course.bench], run, settings)
        found = archive.figures(done.run, str(settings))
        differing = len(set(found) ^ set(expected))
        good = good and not differing and done.why is None
        print(f"{course.bench:10} run {run}: {len(found)} figures, differing {differing} {done.why or ''}")
    return good and analysed == set(stores)


def _figures_at_the_bench(store: Path, run: int, settings: Settings) -> list[tuple[Any, ...]]:
    """What `weighloop figures` prints at the bench, in the archive's columns."""
    words = ["figures", str(run), "--store", str(store), "--json", "--method", settings.method]
    words += ["--trials", str(settings.trials), "--seed", str(settings.seed)]
    command = [sys.executable, "-m", "weighloop.tui.cli", *words]
    printed = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["figures"]
    keys = ("value", "u", "low95", "high95", "status", "why")
    return [(name, *(figure[key] for key in keys)) for name, figure in printed.items()]


def main() -> int:
    """Exit status 0 when nothing was lost, doubled or different."""
    parser = argparse.ArgumentParser(prog="python -m weighloop.daemon.lab.trial", description=__doc__)
    parser.add_argument("--benches", type=int, default=3)
    parser.add_argument("--speed", type=float, default=40.0, help="times as fast as life")
    parser.add_argument("--points", type=int, default=12, help="gaps of each ladder")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where stores and logs stay; thrown away without")
    o = parser.parse_args()
    began = time.monotonic()
    try:
        with ExitStack() as stack:
            if o.folder is not None:
                o.folder.mkdir(parents=True, exist_ok=True)
            folder = o.folder or Path(
                stack.enter_context(tempfile.TemporaryDirectory(prefix="weighloop-lab-"))
            )
            good = trial(folder, o.benches, o.speed, o.points, o.workers)
    except WeighloopError as error:
        print(f"weighloop: {error}", file=sys.stderr)
        return 1
    said = "all arrived, once and the same" if good else "NOT all is well"
    print(f"\n{said}; {time.monotonic() - began:.0f} s")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
