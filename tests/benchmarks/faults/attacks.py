"""Attacks on belief, store, files and doors, and what came of each: the table of ``daemon/ENDURANCE.md``.

    python -m tests.benchmarks.faults.attacks [--dialect NAME ...] [--part NAME ...]

Balance and lift are virtual benches that lie, written from the pages alone (``tests/support/bench``), their
readings lines of each dialect of a balance; the clock is virtual: half a minute of processor a dialect. The
store is a file with one bit turned. Files and doors are those of ``strangers``. *lost*: told and not in the
store, or there twice, and a connection that ends; *wrong believed*: recorded as right by the bench's own
physics and is not, and a verb content with a bad file; *let in*: answered without the key to act.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from tests.benchmarks.faults import strangers
from tests.support.bench.attacks import DIALECTS, attacks, line_attacks, outcome
from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.store.store import Store, StoreError

COLUMNS = ("cases", "lost", "wrong believed", "hung", "tracebacks", "let in")
PARTS = ("bench", "lines", "store", "strangers")
FLIPS = 400


def benches(dialect: str, lines: bool) -> dict[str, Counter[str]]:
    """Every attack by balance and lift in a dialect, or on the bytes of its ``lines``."""
    found: dict[str, Counter[str]] = {}
    for attack in line_attacks() if lines else attacks():
        row = found.setdefault(attack.kind, Counter())
        row["cases"] += 1
        try:
            came = outcome(attack, dialect)
        except AssertionError:
            row["hung"] += 1
        except Exception:
            traceback.print_exc()
            row["tracebacks"] += 1
        else:
            row["lost"] += came.lost
            row["wrong believed"] += came.wrong
            row["otherwise"] += came.end not in attack.ends
    return found


def flips() -> Counter[str]:
    """One bit turned anywhere in a store's file: found, or it changed nothing."""
    row: Counter[str] = Counter()
    draw = random.Random(1)
    with tempfile.TemporaryDirectory() as folder:
        path, copy = Path(folder) / "store.sqlite", Path(folder) / "copy.sqlite"
        bench = VirtualBench(path)
        bench.start("lift", points=3)
        bench.operate()
        bench.store.pack_tail(1)
        bench.store.close()
        with Store(path, read_only=True) as store:
            true = store.record(1)
        whole = path.read_bytes()
        for _ in range(FLIPS):
            raw = bytearray(whole)
            raw[draw.randrange(len(raw))] ^= 1 << draw.randrange(8)
            copy.write_bytes(raw)
            row["cases"] += 1
            try:
                with Store(copy, read_only=True) as store:
                    told = store.verify()
                    points = {p["id"]: p for p in store.record(1).points} if not told else {}
                row["wrong believed"] += not told and points != {p["id"]: p for p in true.points}
            except StoreError:
                pass  # told in words
            except Exception:
                traceback.print_exc()
                row["tracebacks"] += 1
    return row


def listing(runs: int = 10_000) -> tuple[float, float]:
    """Seconds to list N runs from their lines, and seconds to replay a hundred of them."""
    with tempfile.TemporaryDirectory() as folder:
        bench = VirtualBench(Path(folder) / "store.sqlite")
        bench.start("lift", points=4)
        bench.operate()
        events = bench.store.events(1)
        for number in range(2, runs + 1):
            rows = [(number, e.time_s, e.utc, e.kind, e.text, e.data, None) for e in events[:1]]
            bench.store.append(rows)
            if number <= 100:
                rows = [(number, e.time_s, e.utc, e.kind, e.text, e.data, None) for e in events[1:]]
                bench.store.append(rows)
        with Store(bench.store.path, read_only=True) as store:
            listed = 1e9
            for _ in range(5):
                start = time.process_time()
                assert len(store.runs()) == runs
                listed = min(listed, time.process_time() - start)
            start = time.process_time()
            for number in range(1, 101):
                store.record(number)
            return listed, time.process_time() - start


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--dialect", nargs="*", choices=DIALECTS, default=DIALECTS)
    parser.add_argument("--part", nargs="*", choices=PARTS, default=PARTS)
    given = parser.parse_args()
    rows: dict[str, Counter[str]] = {}
    for part in ("bench", "lines"):
        for dialect in given.dialect if part in given.part else ():
            for kind, row in benches(dialect, part == "lines").items():
                rows.setdefault(kind, Counter()).update(row)
    if "store" in given.part:
        rows["a bit turned in the store's file"] = flips()
    if "strangers" in given.part:
        rows |= strangers.rows()
    print(f"Lines of {', '.join(given.dialect)}.\n")
    print("| kind | " + " | ".join(COLUMNS) + " |\n|---" + "|---:" * len(COLUMNS) + "|")
    for kind, row in rows.items():
        print(f"| {kind} | " + " | ".join(str(row[column]) for column in COLUMNS) + " |")
    total = sum(rows.values(), Counter[str]())
    print("| **all** | " + " | ".join(f"**{total[column]}**" for column in COLUMNS) + " |")
    print(f"\nRuns that ended otherwise than their attack allows: {total['otherwise']}.")
    if "store" in given.part:
        listed, replayed = listing()
        print(f"10,000 runs listed in {listed * 1e3:.0f} ms; replaying 100 takes {replayed * 1e3:.0f} ms.")


if __name__ == "__main__":
    main()
