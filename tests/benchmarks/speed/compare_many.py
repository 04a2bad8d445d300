"""A folder of many notebooks compared: time by cores, the second call, memory, length of what is printed.

    python -m tests.benchmarks.speed.compare_many [--notebooks 1000] [--trials 2000]

One core, then all, each with an empty cache; then again with what was kept. The ratio of
the first two, over the number of cores, says how near to linear it is; it wants an idle machine.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.support.many_notebooks import write_notebooks


def compared(folder: Path, cache: Path, trials: int, cores: int) -> tuple[float, float, int, int]:
    """Wall and processor time, s; largest resident memory of a process of it, kB; lines printed."""
    command = [sys.executable, "-m", "weighloop.tui.cli", "compare", str(folder), "--trials", str(trials)]
    allowed = sorted(os.sched_getaffinity(0))[:cores]
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    done = subprocess.run(
        [*command, "--output", str(cache / "page.html")],
        env={**os.environ, "XDG_CACHE_HOME": str(cache)},
        preexec_fn=lambda: os.sched_setaffinity(0, allowed),
        capture_output=True,
        text=True,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.monotonic() - start, used, after.ru_maxrss, len(done.stdout.splitlines())


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--notebooks", type=int, default=60)
    parser.add_argument("--trials", type=int, default=2000)
    o = parser.parse_args()
    cores = len(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "notebooks"
        folder.mkdir()
        write_notebooks(folder, o.notebooks, strange=(7,))
        print(f"{o.notebooks} notebooks, {o.trials} trials each")
        print("call                 wall, s  processor, s  largest process, MB  lines")
        walls = []
        for name, count in (("one core", 1), (f"{cores} cores", cores), ("again", cores)):
            cache = Path(place) / f"cache{count}"
            cache.mkdir(exist_ok=True)
            wall, used, memory, lines = compared(folder, cache, o.trials, count)
            walls.append(wall)
            print(f"{name:20} {wall:7.1f} {used:13.1f} {memory / 1024:20.0f} {lines:6}", flush=True)
        print(f"of linear from 1 to {cores} cores: {walls[0] / walls[1] / cores:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
