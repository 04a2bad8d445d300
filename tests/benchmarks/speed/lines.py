"""A balance of 1,000 lines a second through the daemon: is every line stored, and what does it cost?

    python tests/benchmarks/speed/lines.py [--seconds 20] [--rate 1000]

A pseudo-terminal is written to at that rate (another process); the daemon reads, parses, keeps and
follows it. CPU is that of the daemon's process, from the system's own accounting, and beside it
that of a bare pyserial loop that reads the same lines and does nothing with them.
"""

from __future__ import annotations

import argparse
import atexit
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.speed._processor import processor_of
from weighloop.daemon.server.client import Client, ClientError
from weighloop.daemon.store.store import Store

WRITER = """
import os, pty, sys, time, tty
rate, seconds = float(sys.argv[1]), float(sys.argv[2])
end, far = pty.openpty()
tty.setraw(far); tty.setraw(end)
print(os.ttyname(far), flush=True)
sys.stdin.readline()
began = time.monotonic(); sent = 0
while (now := time.monotonic() - began) < seconds:
    due = int(now * rate)
    os.write(end, b"".join(b"ST,+%09.3f,g\\r\\n" % (50 + (n % 7) / 1000) for n in range(sent, due)))
    sent = due
    time.sleep(0.005)
print(sent, flush=True)
sys.stdin.readline()
"""

READER = """
import sys, time, serial
port = serial.Serial(sys.argv[1], 9600, timeout=0.1)
print("open", flush=True)
began, lines = time.monotonic(), 0
while time.monotonic() - began < float(sys.argv[2]):
    lines += port.read(port.in_waiting or 1).count(b"\\n")
print(lines, time.process_time(), flush=True)
"""

BENCH = """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.32 T"
[sample]
name = "WP-07-1"
shape = "cylinder"
diameter = "6 mm"
height = "3 mm"
[gap]
contact = "1 mm"
ladder = "spacers"
spacer = "1 mm"
spacers = 30
[balance]
port = "{port}"
resolution = "1 mg"
capacity = "220 g"
"""


def writer(rate: float, seconds: float) -> tuple[subprocess.Popen[str], str]:
    made = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(rate), str(seconds)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert made.stdout is not None
    return made, made.stdout.readline().strip()


def bare(rate: float, seconds: float) -> float:
    """CPU share of one core of a bare loop."""
    far, port = writer(rate, seconds)
    near = subprocess.Popen(
        [sys.executable, "-c", READER, port, str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert near.stdout is not None
    assert far.stdin is not None
    near.stdout.readline()
    far.stdin.write("\n")
    far.stdin.flush()
    _, used = near.stdout.readline().split()
    far.kill()
    return float(used) / seconds


def through_the_daemon(rate: float, seconds: float, folder: Path) -> dict[str, float]:
    far, port = writer(rate, seconds)
    assert far.stdin is not None
    assert far.stdout is not None
    bench = folder / "bench.toml"
    bench.write_text(BENCH.format(port=port), encoding="utf-8")
    place, store = folder / "d.sock", folder / "store.sqlite"
    command = [sys.executable, "-m", "weighloop.daemon", "--store", str(store), "--socket", str(place)]
    daemon = subprocess.Popen([*command, "--bench", str(bench)], stderr=subprocess.DEVNULL)
    atexit.register(daemon.kill)  # whatever happens here: it must not hold its port indefinitely
    while True:
        try:
            client = Client.connect(place)
            if client.call("snapshot")["balance"] is not None:
                break
        except (ClientError, OSError):
            pass
        time.sleep(0.05)
    time.sleep(2.0)  # its libraries are loaded
    # Somebody looks at the live reading, so the settling filter works as well.
    watcher = Client.connect(place)
    watcher.call("subscribe", topics=["live"])
    before = processor_of(daemon.pid)
    began = time.monotonic()
    far.stdin.write("\n")
    far.stdin.flush()
    sent = int(far.stdout.readline())
    took = time.monotonic() - began
    used = processor_of(daemon.pid) - before
    device = client.call("snapshot")["balance"]
    client.call("control.take", name="benchmark", force=True)
    client.call("shutdown")
    client.close()
    watcher.close()
    daemon.wait(60)
    far.kill()
    with Store(store, read_only=True) as opened:
        kept = len(opened.raw().time_s)
        size = opened.db.execute("SELECT sum(length(packed)) FROM raw_blocks").fetchone()[0] or 0
    return {
        "lines_sent": sent,
        "lines_understood": device["lines"],
        "readings_stored": kept,
        "bytes_a_reading_packed": round(size / max(kept, 1), 3),
        "cpu_of_one_core": round(used / took, 3),
    }


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--rate", type=float, default=1000.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="weighloop-lines-") as folder:
        result = through_the_daemon(options.rate, options.seconds, Path(folder))
    result["cpu_of_a_bare_loop"] = round(bare(options.rate, min(options.seconds, 10.0)), 3)
    result["bar_cpu"] = 0.2
    print(json.dumps(result))
    # The first lines only tell that it is a balance; every later one must be there.
    whole = result["readings_stored"] >= result["lines_sent"] - 10
    return 0 if whole and result["cpu_of_one_core"] < 0.2 else 1


if __name__ == "__main__":
    sys.exit(main())
