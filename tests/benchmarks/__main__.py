"""Runs the benchmarks, one after another: ``python -m tests.benchmarks [NAME ...]``.

Each is a script of its own with options of its own (``python -m tests.benchmarks.settling --help``);
here each runs with its defaults, which are meant for a few minutes in all.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent


def main(names: list[str]) -> int:
    """Run the named benchmarks, or all; the exit status is the number that failed."""
    there = {
        path.stem: ".".join(("tests.benchmarks", *path.relative_to(HERE).with_suffix("").parts))
        for path in sorted(HERE.rglob("*.py"))
        if not path.stem.startswith("_")
    }
    unknown = sorted(set(names) - there.keys())
    if unknown:
        print(f"no benchmark called {', '.join(unknown)}; there are {', '.join(there)}", file=sys.stderr)
        return 2
    failed = 0
    for name in names or there:
        print(f"\n== {name} ==", flush=True)
        start = time.monotonic()
        failed += subprocess.run([sys.executable, "-m", there[name]], check=False).returncode != 0
        print(f"-- {name}: {time.monotonic() - start:.0f} s", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
