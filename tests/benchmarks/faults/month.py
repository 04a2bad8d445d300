"""A simulated month at ten readings a second with 200 scripted faults, on a clock turned by hand.

    python tests/benchmarks/faults/month.py [--days 30]

The controller, the procedure, the settling filter and the store are the real ones; ports, threads and
time are virtual (tests/support/bench/virtual_bench.py). Loops are started one after the other; in between the
balance is only listened to. Prints memory, time, bytes a reading and the outcome of each kind of fault;
exit status 1 when memory grew by more than 5 %, a fault had another outcome than defined, or the store
is not sound.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.support.bench.virtual_bench import VirtualBench
from weighloop.daemon.control.pending import Refused
from weighloop.daemon.procedure import events
from weighloop.drivers.device import DeviceState

DAY = 86400.0


def memory() -> float:
    """Resident memory, MB."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * resource.getpagesize() / 1e6


class Month:
    """The bench, the person and the faults."""

    def __init__(self, store: Path, seed: int) -> None:
        self.bench = VirtualBench(store, seed=seed)
        self.random = random.Random(seed)
        self.outcomes: Counter[str] = Counter()
        self.wrong: list[str] = []

    def loop(self, faults: list[str]) -> None:
        """One run with these faults at random places."""
        bench = self.bench
        bench.start("lift", points=6)
        assert bench.run is not None
        steps = len(bench.run.steps)
        places = sorted(self.random.randrange(2, steps - 2) for _ in faults)
        number = bench.run.id
        end = bench.clock.time + 6 * 3600.0
        while True:
            run = bench.run
            if bench.clock.time > end:
                raise SystemExit(f"run {number} does not end: {run.state} ({run.why}), {bench.action()}")
            if run.id != number or run.state in ("finished", "stopped"):
                break
            if run.state == "held":
                bench.advance(20, step=1.0)
                try:
                    bench.say("go-on")
                except Refused as refused:
                    self.wrong.append(f"run {number}: {refused}")
                    bench.say("stop", "the script gives up")
                continue
            if places and run.done >= places[0]:
                places.pop(0)
                self.fault(faults.pop(0))
            bench.person()
            bench.advance(0.5)
        bench.controller.acquisition.zero = None  # type: ignore[union-attr]

    def fault(self, kind: str) -> None:
        """One fault, and whether its outcome is the defined one."""
        bench = self.bench
        controller = bench.controller
        assert bench.run is not None
        expected = {
            "silence": "running",
            "long silence": "held",
            "plug": "held",
            "lift reset": "running",
            "stop button": "held",
            "overload": None,  # held while a reading is taken or the lift moves, else nothing
            "disk": "held",
        }[kind]
        match kind:
            case "silence" | "long silence":
                bench.silent = True
                controller.watch.balance_is(DeviceState.SILENT, "nothing heard")
                bench.advance(4 if kind == "silence" else 40)
            case "plug":
                bench.silent = True
                controller.watch.balance_is(DeviceState.LOST, "the port failed")
                bench.advance(90)
            case "lift reset":
                controller.happen(events.LiftVoid("the lift was reset", "reset"))
                bench.break_move("the lift was reset")
                bench.advance(1)
            case "stop button":
                controller.watch.lift_is(DeviceState.FAULT, "the stop button is pressed")
                bench.break_move("the stop button is pressed")
                bench.advance(5)
            case "overload":
                bench.forced = (None, "overload")
                bench.advance(1)
                bench.forced = None
            case "disk":
                bench.log_writer.fail = True
                controller.happen(events.Fault("store", "the store cannot be written: disk is full"))
                bench.advance(30)
                bench.log_writer.fail = False
                bench.log_writer.flush()
                bench.advance(1)
        state = bench.run.state
        if expected is not None and state != expected:
            self.wrong.append(f"{kind}: {state} ({bench.run.why}), expected {expected}")
        if state == "held" and kind not in ("stop button",):
            bench.advance(120, step=1.0)
            if bench.run.state == "held" and bench.height != bench.travel:
                self.wrong.append(f"{kind}: held, and the lift is not at the far end")
        if bench.silent:
            bench.silent = False
            controller.watch.balance_is(DeviceState.READY, "speaks status-line")
            bench.advance(0.5)
        self.outcomes[f"{kind}: {state}"] += 1


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--loops", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    kinds = ["silence", "long silence", "plug", "lift reset", "stop button", "overload", "disk"]
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="weighloop-month-") as folder:
        month = Month(Path(folder) / "store.sqlite", options.seed)
        faults = [kinds[i % len(kinds)] for i in range(options.faults)]
        month.random.shuffle(faults)
        each = -(-options.faults // options.loops)
        seen: list[tuple[float, float]] = []
        for number in range(options.loops):
            month.loop([faults.pop() for _ in range(min(each, len(faults)))])
            until = options.days * DAY * (number + 1) / options.loops
            while month.bench.clock.time < until:
                month.bench.advance(min(60.0, until - month.bench.clock.time), step=60.0)
            seen.append((month.bench.clock.time / DAY, memory()))
            if sys.stderr.isatty():
                print(f"\rday {seen[-1][0]:.1f}, {seen[-1][1]:.0f} MB", end="", file=sys.stderr)
        result = report(month, seen, Path(folder) / "store.sqlite")
    result["seconds"] = round(time.monotonic() - began, 1)
    print(json.dumps(result, indent=1))
    return 1 if result["wrong"] or result["memory_growth"] > 0.05 or result["store_faults"] else 0


def report(month: Month, seen: list[tuple[float, float]], path: Path) -> dict[str, Any]:
    store = month.bench.store
    store.pack_tail(1)
    blocks, readings, size = store.db.execute(
        "SELECT count(*), sum(readings), sum(length(packed)) FROM raw_blocks"
    ).fetchone()
    store.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    # Memory settles in the first loops (libraries, caches); from a quarter of the time on it must stand.
    early = [m for _, m in seen[len(seen) // 4 : len(seen) // 2]]
    late = [m for _, m in seen[-len(seen) // 4 :]]
    growth = max(late) / max(early) - 1
    return {
        "days": round(seen[-1][0], 2),
        "raw_readings": readings,
        "blocks": blocks,
        "bytes_a_reading_packed": round(size / readings, 3),
        "bytes_a_reading_of_the_whole_file": round(path.stat().st_size / readings, 3),
        "memory_MB": [round(m, 1) for _, m in seen],
        "memory_growth": round(growth, 4),
        "outcomes": dict(sorted(month.outcomes.items())),
        "runs": dict(Counter(line["state"] for line in store.runs())),
        "points": sum(line["points"] for line in store.runs()),
        "wrong": month.wrong,
        "store_faults": store.verify(),
    }


if __name__ == "__main__":
    sys.exit(main())
