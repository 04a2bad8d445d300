"""The emulated current source with everything going wrong, seed after seed.

``python -m tests.benchmarks.faults.current_source [--seeds 20]``: half a minute a seed. Needs the compiler
and the emulator's library (hardware_notes/firmware/README.md).
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from pathlib import Path

from tests.support import ROOT
from tests.support.lift.current_campaign import COIL, everything_goes_wrong
from tests.support.lift.lift_emulator import Emulator, Rig, wait_for

FIRMWARE = ROOT / "hardware_notes" / "firmware"


def main() -> None:
    """Run it; ends at the first thing told wrongly."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    subprocess.run(["make", "-C", FIRMWARE], check=True, stdout=subprocess.DEVNULL)
    total = dict.fromkeys(("switched", "resets", "watchdog", "damaged", "seconds"), 0.0)
    for seed in range(parser.parse_args().seeds):
        with tempfile.TemporaryDirectory() as folder:
            emulator = Emulator(FIRMWARE / "build", Path(folder))
            emulator(f"source 1 {COIL}")
            rig = Rig(emulator)
            rig.another(shunt=47.0, largest_current=55e-3)
            wait_for(lambda rig=rig: bool(rig.lift._link._nonce))
            state = everything_goes_wrong(rig, 60, seed)
            rig.close()
        for key in total:
            total[key] += state[key]
        print(f"seed {seed}: on {state['switched']} times, longest {state['longest_s']:.1f} s", flush=True)
    print(", ".join(f"{value:.0f} {key}" for key, value in total.items()))


if __name__ == "__main__":
    main()
