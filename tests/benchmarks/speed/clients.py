"""Fifty clients, five of which never read: does recording wait for them?

    python tests/benchmarks/speed/clients.py [--notes 200]

A balance of 100 lines a second runs through the daemon, a run waits for its person. Notes are written
into the run's log, without other clients and again with 45 that read everything and 5 that subscribed to
everything and never read. A note goes the way of every reading: controller, writer's thread, sync, answer.
The daemon itself keeps the time from handing an entry to the writer to its commit: that is recording's
delay, and the bar is 50 ms more than alone. The answers' times are shown beside it.
"""

from __future__ import annotations

import argparse
import atexit
import contextlib
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.benchmarks.speed.lines import BENCH, writer
from weighloop.daemon.server.client import Client, ClientError

READERS = """
import sys, threading
from weighloop.daemon.server.client import Client, ClientError
def read():
    client = Client.connect(sys.argv[1])
    try:
        for event in client.events():
            pass
    except ClientError:
        pass
for _ in range(int(sys.argv[2])):
    threading.Thread(target=read, daemon=True).start()
print("reading", flush=True)
sys.stdin.readline()
"""


def notes(client: Client, count: int) -> np.ndarray:
    """Seconds from asking to the committed answer, for N notes."""
    times = []
    for number in range(count):
        began = time.perf_counter()
        client.call("run.note", text=f"note {number}")
        times.append(time.perf_counter() - began)
        time.sleep(0.02)
    return np.array(times)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--notes", type=int, default=200)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="weighloop-clients-") as name:
        folder = Path(name)
        far, port = writer(100.0, 600.0)
        text = BENCH.format(port=port)
        assert far.stdin is not None
        far.stdin.write("\n")
        far.stdin.flush()
        place = folder / "d.sock"
        command = [sys.executable, "-m", "weighloop.daemon", "--store", str(folder / "store.sqlite")]
        daemon = subprocess.Popen([*command, "--socket", str(place)], stderr=subprocess.DEVNULL)
        atexit.register(daemon.kill)  # whatever happens here: it must not hold its port indefinitely
        client = None
        while client is None:
            with contextlib.suppress(ClientError, OSError):
                client = Client.connect(place)
            time.sleep(0.05)
        client.call("control.take", name="benchmark", force=True)
        client.call("run.start", bench_text=text, points=4, target_u_kg=None, name=None)
        time.sleep(2.0)
        alone = notes(client, options.notes)
        commit_alone = client.call("status")["commit_s"]
        silent = [Client.connect(place) for _ in range(5)]
        for other in silent:
            other.call("subscribe", topics=["live", "point", "run", "device", "log"])
        readers = subprocess.Popen(
            [sys.executable, "-c", READERS, str(place), "45"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert readers.stdout is not None
        readers.stdout.readline()
        deadline = time.monotonic() + 30
        while client.call("status")["clients"] < 51 and time.monotonic() < deadline:
            time.sleep(0.1)
        count = client.call("status")["clients"]
        crowd = notes(client, 1000)  # as many as the daemon keeps the delays of
        commit_crowd = client.call("status")["commit_s"]
        client.call("shutdown")
        daemon.wait(60)
        for process in (far, readers):
            process.kill()
    delay = commit_crowd["worst"] - commit_alone["median"]
    result = {
        "clients": count,
        "commit_alone_ms": {key: _ms(commit_alone[key]) for key in ("median", "worst")},
        "commit_crowd_ms": {key: _ms(commit_crowd[key]) for key in ("median", "worst")},
        "answer_alone_ms": {"median": _ms(np.median(alone)), "worst": _ms(alone.max())},
        "answer_crowd_ms": {"median": _ms(np.median(crowd)), "worst": _ms(crowd.max())},
        "worst_delay_of_recording_ms": _ms(delay),
        "bar_ms": 50.0,
    }
    print(json.dumps(result))
    return 0 if delay < 0.05 else 1


def _ms(seconds: float) -> float:
    return round(float(seconds) * 1e3, 2)


if __name__ == "__main__":
    sys.exit(main())
