"""Kill the daemon at random moments over a running bench, again and again.

    python tests/benchmarks/faults/kill_runs.py --kills 1000

A bench twin runs all the while; a person (this script) does what the run asks for. The daemon is killed
(SIGKILL) after a random time, its store is checked, and the next daemon takes the run up again. What
must hold: no reading that was told to a client is missing or changed, none is there twice, every store
opens sound, and the run is held with a reason. Prints one JSON line at the end; exit status 1 when
anything did not hold.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from weighloop.daemon.server.client import Client, ClientError
from weighloop.daemon.simulation.twin_process import TwinProcess
from weighloop.daemon.store.store import Store


class Killer:
    """One twin, one store, many daemons."""

    def __init__(self, folder: Path, speed: float, seed: int) -> None:
        self.folder, self.speed = folder, speed
        self.random = random.Random(seed)
        self.twin = TwinProcess(seed=seed, speed=speed)
        self.store = folder / "store.sqlite"
        self.socket = folder / "d.sock"
        self.told: dict[int, Any] = {}  # what a client heard of, by event id
        self.faults: list[str] = []
        self.acts = 0
        self.ends = 0

    def daemon(self) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "weighloop.daemon", "--store", str(self.store)]
        command += ["--socket", str(self.socket), "--speed", str(self.speed)]
        with (self.folder / "log").open("ab") as log:
            return subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)

    def connect(self, process: subprocess.Popen[bytes]) -> Client:
        end = time.monotonic() + 30
        while True:
            try:
                return Client.connect(self.socket)
            except (ClientError, OSError):
                if process.poll() is not None or time.monotonic() > end:
                    raise
                time.sleep(0.02)

    def listen(self, process: subprocess.Popen[bytes]) -> None:
        """Note down every reading the daemon tells of, until it is gone."""
        with contextlib.suppress(ClientError, OSError, ValueError):
            client = self.connect(process)
            for event in client.events(["point"]):
                self.told[event["data"]["id"]] = event["data"]

    def operate(self, client: Client, kill: threading.Timer | None) -> None:
        """Be the person until the daemon is gone; ``kill`` is started once a run is running."""
        until = time.monotonic() + 60
        while time.monotonic() < until:
            run = client.call("snapshot")["run"]
            if kill is not None and run is not None and run["state"] == "running":
                kill.start()
                kill = None
            if run is None or run["state"] in ("finished", "stopped"):
                self.ends += run is not None
                client.call("run.start", bench_text=self.bench_text, points=3, target_u_kg=None, name=None)
            elif run["state"] == "held":
                if not run["why"]:
                    self.faults.append(f"run {run['id']} is held without a reason")
                with contextlib.suppress(ClientError):  # the balance may not be heard yet
                    client.call("run.go_on")
                    self.acts += 1
            elif run["action"]["needs_confirm"]:
                action = run["action"]
                self.twin.do(action["code"])
                with contextlib.suppress(ClientError):
                    client.call("run.confirm", choice=None, code=action["code"])
            time.sleep(0.02)

    def check(self) -> None:
        with Store(self.store) as store:  # as the next daemon opens it
            self.faults += store.verify()
            kept = {}
            steps: dict[tuple[int, int], int] = {}
            for number in (line["id"] for line in store.runs()):
                for point in store.record(number).points:
                    kept[point["id"]] = point
                    key = (number, point["step"])
                    steps[key] = steps.get(key, 0) + 1
            self.faults += [f"step {key} is there {n} times" for key, n in steps.items() if n > 1]
            for number, point in list(self.told.items()):
                mine = kept.get(number)
                if mine is None:
                    self.faults.append(f"reading {number} was told and is missing")
                elif mine["value_kg"] != point["value_kg"] or mine["step"] != point["step"]:
                    self.faults.append(f"reading {number} is not what was told")

    def once(self, longest: float) -> None:
        """One daemon's life: one in five is killed while it starts, the others while a run is under way."""
        process = self.daemon()
        early = self.random.random() < 0.2
        delay = self.random.uniform(0.05, 1.0 if early else longest)
        kill = threading.Timer(delay, lambda: os.kill(process.pid, signal.SIGKILL))
        if early:
            kill.start()
        ear = threading.Thread(target=self.listen, args=(process,))
        ear.start()
        try:
            with contextlib.suppress(ClientError, OSError):
                client = self.connect(process)
                client.call("control.take", name="the person", force=True)
                self.operate(client, None if early else kill)
        finally:
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                self.faults.append("a daemon did not get its run under way")
        process.wait()
        with contextlib.suppress(RuntimeError):  # never started
            kill.join()
        ear.join()
        self.check()

    def go(self, kills: int, longest: float) -> dict[str, Any]:
        began = time.monotonic()
        with self.twin:
            text = Path(self.twin.places["bench_file"]).read_text(encoding="utf-8")
            # A short lift: more readings, fewer long moves.
            self.bench_text = text.replace("[lift]", '[lift]\ntravel = "15 mm"')
            for _ in range(kills):
                self.once(longest)
                if self.faults:
                    break
        with Store(self.store, read_only=True) as store:
            events = store.db.execute("SELECT count(*) FROM events").fetchone()[0]
            raw = store.db.execute("SELECT sum(readings) FROM raw_blocks").fetchone()[0]
        return {
            "kills": kills,
            "readings_told": len(self.told),
            "events": events,
            "raw_readings_in_blocks": raw,
            "runs_ended": self.ends,
            "taken_up_again": self.acts,
            "faults": self.faults,
            "seconds": round(time.monotonic() - began, 1),
        }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--speed", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=6.0, help="longest life of a running run, s")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="weighloop-kill-") as folder:
        result = Killer(Path(folder), options.speed, options.seed).go(options.kills, options.longest)
    print(json.dumps(result))
    return 1 if result["faults"] else 0


if __name__ == "__main__":
    sys.exit(main())
