"""What a lab's engines carry: catching up after a day's outage of several benches, re-analysis by workers.

    python -m tests.benchmarks.speed.lab_scale [--benches 5] [--loops 100]

The day: each bench's store holds that many loops (one in a quarter of an hour makes 96), none of it archived;
forwarders and archivist are started and timed until every row is there. The re-analysis: all runs of the
archive by one worker and by two, one of the two killed on the way. It wants an idle machine.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import signal
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from tests.support.store.lab_store import weigh
from weighloop.daemon.lab.archive import Archive
from weighloop.daemon.lab.engines import Engines
from weighloop.daemon.lab.messages import TABLES
from weighloop.daemon.lab.reanalysis import Done, Settings, reanalyse
from weighloop.daemon.lab.trial import arrived, lab_process
from weighloop.daemon.store.store import Store


def catch_up(engines: Engines, stores: dict[str, Path]) -> tuple[float, int]:
    """Seconds until all is archived, the processes' own start included; rows that are lost or wrong."""
    broker = ("--broker", f"127.0.0.1:{engines.broker_port}")
    with ExitStack() as stack, Archive(engines.dsn) as archive:
        archive.migrate()
        opened = {bench: stack.enter_context(Store(path, read_only=True)) for bench, path in stores.items()}
        there = {
            (bench, table): store.db.execute(f"SELECT coalesce(max(id), 0) FROM {name}").fetchone()[0]
            for bench, store in opened.items()
            for table, name in (("events", "events"), ("raw", "raw_blocks"))
        }
        begun = time.monotonic()
        stack.enter_context(lab_process("archive", "--database", engines.dsn, *broker))
        for bench, path in stores.items():
            stack.enter_context(lab_process("forward", "--bench", bench, "--store", str(path), *broker))
        while time.monotonic() - begun < 600:
            held = {c.bench: archive.holds(c) for c in archive.courses()}
            if all(held.get(bench, {}).get(table) == last for (bench, table), last in there.items()):
                break
            time.sleep(0.05)
        seconds = time.monotonic() - begun
        wrong = sum(
            (found := arrived(archive, store, bench, table)).lost + found.doubled + found.differing
            for bench, store in opened.items()
            for table in TABLES
        )
        return seconds, wrong


def kill_a_worker() -> bool:
    """Kill one of this process's own workers; whether there was one."""
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            parent = int((place.parent / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == os.getpid() and b"spawn_main" in place.read_bytes():
                os.kill(int(place.parent.name), signal.SIGKILL)
                return True
    return False


def main() -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=5)
    parser.add_argument("--loops", type=int, default=20)
    o = parser.parse_args()
    with tempfile.TemporaryDirectory() as place, Engines() as engines:
        first = Path(place) / "bench-1.sqlite"
        weigh(first, runs=o.loops)
        runs = o.benches * o.loops
        stores = {f"bench-{n}": first.with_name(f"bench-{n}.sqlite") for n in range(1, o.benches + 1)}
        for path in list(stores.values())[1:]:
            shutil.copy(first, path)
        with Store(first, read_only=True) as store:
            events = store.db.execute("SELECT count(*) FROM events").fetchone()[0]
        seconds, wrong = catch_up(engines, stores)
        rows = o.benches * events
        print(f"{o.benches} benches, {events} events each: all archived in {seconds:.1f} s", end=" ")
        print(f"({rows / seconds:.0f} events a second), lost, doubled or differing {wrong}")
        took: list[float] = []
        good = not wrong
        with Archive(engines.dsn) as archive:
            for workers in (1, 2):
                settings = Settings("mean", 1000, seed=workers)
                killed = list[bool]()
                finished = list[Done]()

                def on_done(
                    one: Done,
                    workers: int = workers,
                    killed: list[bool] = killed,
                    so_far: list[Done] = finished,
                ) -> None:
                    so_far.append(one)
                    if workers > 1 and len(so_far) == max(1, runs // 4):
                        killed.append(kill_a_worker())

                begun = time.monotonic()
                done = reanalyse(archive, settings, workers=workers, on_done=on_done)
                took.append(time.monotonic() - begun)
                found = archive.db.execute(
                    "SELECT count(*), count(DISTINCT (bench, run)) FROM figures WHERE settings = %s"
                    " AND figure = 'remanence_A_per_m'",
                    (str(settings),),
                ).fetchone()
                good = good and found == (runs, runs) and not any(one.why for one in done)
                what = f"{runs} runs, workers {workers}, killed {sum(killed)}"
                print(f"{what}: {took[-1]:.1f} s, rows and runs {found}")
        print(f"of linear from 1 to 2 workers, one of them killed once: {took[0] / took[1] / 2:.2f}")
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
