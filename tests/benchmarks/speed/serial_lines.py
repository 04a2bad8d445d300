"""Lines a second and processor time: the balance driver against a bare pyserial loop, same port.

The far end is a process of its own that writes the same valid lines into a pseudo-terminal, first as fast
as they are taken, then 1,000 a second. The bare loop reads what is there and cuts it at newlines;
the driver also matches, checks, converts, stamps and hands every reading to a listener.

    python tests/benchmarks/speed/serial_lines.py [--lines N] [--seconds S] [--json]
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import subprocess
import sys
import time
import tty
import zlib

from weighloop.drivers.balance.balance import GOOD_LINES, SerialBalance
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.clock import RealClock
from weighloop.drivers.serial.port import open_port, read_port

WRITER = """
import os, sys, time
fd, count, rate = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
lines = sys.stdin.buffer.read().splitlines(keepends=True)
began = time.monotonic()
if rate == 0:
    data = memoryview(b"".join(lines))
    while data:
        data = data[os.write(fd, data[:4096]):]
else:
    for number, line in enumerate(lines):
        if (left := began + number / rate - time.monotonic()) > 0:
            time.sleep(left)
        os.write(fd, line)
"""


def lines_of(dialect: str, count: int) -> bytes:
    """Valid lines, all different."""
    if dialect == "counted":
        bodies = (b"W %d %d" % (number, number % 100_000) for number in range(count))
        return b"".join(body + b" %08x\n" % zlib.crc32(body) for body in bodies)
    return b"".join(b"ST,+%09.3f,g\r\n" % (number % 100_000 / 1000) for number in range(count))


class Counter:
    """The cheapest listener: what is measured is the driver."""

    def __init__(self) -> None:
        self.count = 0

    def reading(self, reading: object) -> None:
        self.count += 1

    def refused(self, time: float, raw: bytes, why: str) -> None:
        raise AssertionError(f"a valid line was refused: {raw!r} ({why})")

    def state(self, state: object, why: str) -> None:
        pass


def measure(driver: bool, dialect: str, count: int, rate: float) -> dict[str, float]:
    """Lines a second and microseconds of processor time a line, in this process."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    port = os.ttyname(slave)
    counter, loaded, balance, serial = Counter(), load_dialect(dialect), None, None
    if driver:
        balance = SerialBalance(port, loaded, counter, RealClock())
        balance.start()
        while str(balance.state) != "identifying":
            time.sleep(0.001)
        expected = count - GOOD_LINES + 1
    else:
        serial, expected = open_port(port, loaded.settings), count
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(master), str(count), str(rate)],
        stdin=subprocess.PIPE,
        pass_fds=[master],
    )
    assert writer.stdin is not None
    writer.stdin.write(lines_of(dialect, count))
    writer.stdin.close()
    began = cpu = 0.0
    buffer, seen = b"", 0
    while seen < expected:
        if serial is not None:
            *lines, buffer = (buffer + read_port(serial)).split(b"\n")
            seen += len(lines)
        else:
            time.sleep(0.005)
            seen = counter.count
        if seen and not began:
            began, cpu = time.monotonic(), time.process_time()
            first = seen
    took, used = time.monotonic() - began, time.process_time() - cpu
    writer.wait()
    if balance is not None:
        balance.close()
    if serial is not None:
        serial.close()
    os.close(slave)
    os.close(master)
    done = expected - first
    return {"lines_per_s": done / took, "cpu_us_per_line": used / done * 1e6, "cpu_share": used / took}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--lines", type=int, default=60_000)
    parser.add_argument("--seconds", type=float, default=4.0, help="length of the paced part")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows = []
    for dialect in ("status-line", "counted"):
        for name, driver in (("bare pyserial loop", False), ("balance driver", True)):
            flat_out = measure(driver, dialect, options.lines, 0)
            paced = measure(driver, dialect, round(1000 * options.seconds), 1000)
            rows.append(
                {
                    "dialect": dialect,
                    "reader": name,
                    "lines_per_s": flat_out["lines_per_s"],
                    "cpu_us_per_line": flat_out["cpu_us_per_line"],
                    "cpu_share_at_1000_per_s": paced["cpu_share"],
                }
            )
    if options.json:
        print(json.dumps(rows, indent=1))
        return
    print(f"{'dialect':12} {'reader':20} {'lines/s':>9} {'us CPU/line':>12} {'CPU at 1000/s':>14}")
    for row in rows:
        print(
            f"{row['dialect']:12} {row['reader']:20} {row['lines_per_s']:9.0f} "
            f"{row['cpu_us_per_line']:12.1f} {row['cpu_share_at_1000_per_s']:13.1%}"
        )


if __name__ == "__main__":
    main()
