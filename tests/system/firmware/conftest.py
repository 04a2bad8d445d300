"""The firmware is built here; where the cross compiler or the emulator's library is missing the tests
say so and are skipped, except on a build server (CI is set), where that is a failure."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import ROOT

FIRMWARE = ROOT / "hardware_notes" / "firmware"

if os.name != "posix":  # pseudo-terminals
    collect_ignore_glob = ["test_*.py"]


def missing() -> list[str]:
    """What the build needs and this machine has not."""
    lacking = [
        tool for tool in ("avr-gcc", "avr-objcopy", "avr-size", "make", "cc") if not shutil.which(tool)
    ]
    if "cc" not in lacking:
        header = ["cc", "-E", "-I/usr/include/simavr", "-include", "simavr/sim_avr.h", "-x", "c", os.devnull]
        if subprocess.run(header, capture_output=True).returncode:
            lacking.append("libsimavr")
    return lacking


@pytest.fixture(scope="session")
def build() -> Path:
    """The folder with the firmware, the emulator and the fuzz program, built now."""
    if lacking := missing():
        words = (
            f"the lift's firmware was not tried: {', '.join(lacking)} missing "
            "(Debian: apt-get install gcc-avr avr-libc binutils-avr libsimavr-dev gcc libc6-dev make)"
        )
        if os.environ.get("CI"):
            pytest.fail(words)
        pytest.skip(words)
    import fcntl

    folder = FIRMWARE / "build"
    folder.mkdir(exist_ok=True)
    with (folder / ".lock").open("w") as lock:  # two workers, one build
        fcntl.flock(lock, fcntl.LOCK_EX)
        made = subprocess.run(
            ["make", "-C", FIRMWARE, "EXTRA=-Werror"], capture_output=True, text=True, timeout=200
        )
    assert made.returncode == 0, made.stdout + made.stderr
    return folder


@pytest.fixture
def rig(build: Path, tmp_path: Path) -> Iterator:
    """Emulated lift and real driver, not yet homed."""
    from tests.support.lift.lift_emulator import Emulator, Rig

    made = Rig(Emulator(build, tmp_path))
    yield made
    made.close()


@pytest.fixture
def homed(rig):
    """Emulated lift and real driver, homed: the reported position is the counted one."""
    rig.home()
    return rig


@pytest.fixture
def plugged(build: Path, tmp_path: Path) -> Iterator:
    """A lift with a turner, its rod between the ends, not yet homed."""
    from tests.support.lift.lift_emulator import FAST, TURNING, Emulator, Rig

    emulator = Emulator(build, tmp_path, speed=FAST)
    emulator("turner 1 2900")
    made = Rig(emulator)
    made.another(turning_height=TURNING)
    yield made
    made.close()


@pytest.fixture
def upright(plugged):
    """The same, homed: the sample stands at 0 degrees."""
    plugged.home()
    assert plugged.lift.orientation == 1
    return plugged
