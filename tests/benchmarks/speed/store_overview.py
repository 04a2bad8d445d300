"""Open a store of 26 million raw readings (a month at ten a second) and draw its overview.

    python tests/benchmarks/speed/store_overview.py [--readings 26000000]

The blocks are made from a few different ones, as a month's would be; their number and size are real.
Prints the time to open and to thin to 200 slots (best of three, the file in the system's cache), and
bytes a reading.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from weighloop.daemon.store.raw_blocks import Raw, pack
from weighloop.daemon.store.store import BLOCK, Store


def fill(path: Path, readings: int) -> None:
    """A store with N readings, 10 a second, noise of two digits and a slow drift."""
    rng = np.random.default_rng(1)
    templates = []
    for _ in range(20):
        values = np.round(0.05 + np.cumsum(rng.normal(0, 1e-8, BLOCK)) + rng.normal(0, 2e-6, BLOCK), 6)
        times = 0.1 * np.arange(BLOCK) + rng.normal(0, 2e-3, BLOCK)
        raw = [Raw(float(t), float(v), "steady") for t, v in zip(times, values, strict=True)]
        templates.append((pack(raw), float(values.min()), float(values.max())))
    with Store(path) as store:
        session = store.begin_session("boot", "benchmark", "2026-01-01T00:00:00Z", 0.0)
        store.db.execute("BEGIN")
        for number in range(readings // BLOCK + 1):
            packed, low, high = templates[number % len(templates)]
            start = number * BLOCK / 10
            row = (session, 1, start, start + BLOCK / 10, BLOCK, low, high, packed)
            store.db.execute(
                "INSERT INTO raw_blocks (session, run, first_s, last_s, readings, low_kg, high_kg, packed)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                row,
            )
        store.db.execute("COMMIT")
        store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--readings", type=int, default=26_000_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="weighloop-overview-") as folder:
        path = Path(folder) / "store.sqlite"
        fill(path, options.readings)
        times = []
        for _ in range(3):
            began = time.perf_counter()
            with Store(path, read_only=True) as store:
                over = store.overview(1, 200)
            times.append(time.perf_counter() - began)
        assert len(over["time_s"]) == 200
        result = {
            "readings": options.readings,
            "bytes_a_reading": round(path.stat().st_size / options.readings, 3),
            "open_and_overview_s": round(min(times), 4),
            "bar_s": 1.0,
        }
    print(json.dumps(result))
    return 0 if min(times) < 1.0 else 1


if __name__ == "__main__":
    sys.exit(main())
