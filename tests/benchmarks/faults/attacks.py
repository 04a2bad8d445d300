"""Attacks on belief and on the store: what came of each kind, as a table for ``analysis/ACCURACY.md``.

``python -m tests.benchmarks.faults.attacks`` (about two minutes of one core). Balance and lift are virtual
benches that lie, written from the pages alone (``tests/support/bench/hostile_bench.py``); the store is a file
with one bit turned. *wrong believed*: readings recorded as right that are not, by the bench's own physics.
"""

from __future__ import annotations

import random
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from tests.support.bench.attacks import attacks, outcome
from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.store.store import Store, StoreError

COLUMNS = ("cases", "lost", "wrong believed", "hung", "tracebacks", "let in")
FLIPS = 400


def benches() -> dict[str, Counter[str]]:
    """Every attack by balance and lift."""
    found: dict[str, Counter[str]] = {}
    for attack in attacks():
        row = found.setdefault(attack.kind, Counter())
        row["cases"] += 1
        try:
            came = outcome(attack)
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
                start = time.perf_counter()
                assert len(store.runs()) == runs
                listed = min(listed, time.perf_counter() - start)
            start = time.perf_counter()
            for number in range(1, 101):
                store.record(number)
            return listed, time.perf_counter() - start


def main() -> None:
    """Print the table."""
    rows = benches() | {"a bit turned in the store's file": flips()}
    print("| kind | " + " | ".join(COLUMNS) + " |\n|---" + "|---:" * len(COLUMNS) + "|")
    for kind, row in rows.items():
        print(f"| {kind} | " + " | ".join(str(row[column]) for column in COLUMNS) + " |")
    total = sum(rows.values(), Counter())
    print("| **all** | " + " | ".join(f"**{total[column]}**" for column in COLUMNS) + " |")
    print(f"\nRuns that ended otherwise than their attack allows: {total['otherwise']}.")
    listed, replayed = listing()
    print(
        f"10,000 runs listed in {listed * 1e3:.0f} ms; replaying 100 of them takes {replayed * 1e3:.0f} ms."
    )


if __name__ == "__main__":
    main()
