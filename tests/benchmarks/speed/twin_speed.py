"""How fast the bench twin is: share of a core at 30 times life, and the time for a night.

python tests/benchmarks/speed/twin_speed.py [--hours H]
"""

from __future__ import annotations

import argparse
import json
import time
import zlib

from weighloop.drivers.twin.bench import TwinBench


def send(bench: TwinBench, number: int, words: str) -> None:
    body = f"N{number} {words}".encode()
    bench.write("lift", body + b"*%08X\n" % zlib.crc32(body))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    hours = parser.parse_args().hours

    bench = TwinBench(1)
    send(bench, 1, "M110 K1")
    send(bench, 2, "G28")
    bench.advance(60.0)
    start, processor = bench.now, time.process_time()
    for k in range(4):
        send(bench, 3 + k, f"G1 Z{0 if k % 2 == 0 else 45} F120")
        bench.advance(25.0)
    moving = 30.0 * (time.process_time() - processor) / (bench.now - start)

    processor = time.process_time()
    lines = len(bench.advance(hours * 3600.0))
    night = time.process_time() - processor
    processor = time.process_time()
    _ = bench.truth
    print(
        json.dumps(
            {
                "core_share_at_30x_moving": round(moving, 4),
                "core_share_at_30x_standing": round(30.0 * night / (hours * 3600.0), 4),
                "hours": hours,
                "seconds_for_them": round(night, 2),
                "lines": lines,
                "seconds_for_the_truth": round(time.process_time() - processor, 3),
            }
        )
    )


if __name__ == "__main__":
    main()
