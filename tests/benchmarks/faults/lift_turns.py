"""The emulated lift through 400 moves with 100 turns, 16 resets and every fault: what is told of it?

``python -m tests.benchmarks.faults.lift_turns [--seeds 1 2 3]``: about ten minutes a seed. Needs the compiler
and the emulator's library (hardware_notes/firmware/README.md).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.support import ROOT
from tests.support.lift.lift_campaign import campaign
from tests.support.lift.lift_emulator import FAST, TURNING, Emulator, Rig, wait_for

FIRMWARE = ROOT / "hardware_notes" / "firmware"


def main() -> int:
    """Run it; the exit status is 1 where anything was told wrongly or turned low."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    subprocess.run(["make", "-C", FIRMWARE], check=True, stdout=subprocess.DEVNULL)
    bad = 0
    for seed in parser.parse_args().seeds:
        start = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            emulator = Emulator(FIRMWARE / "build", Path(folder), speed=FAST)
            emulator("turner 1 700")
            rig = Rig(emulator)
            rig.another(turning_height=TURNING, speed=4e-3)
            wait_for(lambda rig=rig: bool(rig.lift._link._nonce))
            tally = campaign(rig, moves=400, turns=100, resets=16, seed=seed)
            chip = emulator.state["seconds"]
            rig.close()
        bad += tally["wrong"] + tally["low turns"] + tally["closed between"]
        print(f"seed {seed}: {', '.join(f'{count} {what}' for what, count in sorted(tally.items()))}")
        print(f"        {chip:.0f} s of the chip in {time.monotonic() - start:.0f} s", flush=True)
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
