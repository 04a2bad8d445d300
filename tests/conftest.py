"""What all tests share."""

from __future__ import annotations

import gc
import os
import sys

import pytest
from hypothesis import HealthCheck, settings

from tests.support import ROOT

# Two workers with two threads each on two cores are in each other's way; before numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# How long an example takes says nothing on a machine that does other work too.
settings.register_profile("weighloop", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("weighloop")

# What hundreds of started programs import is compiled once, also where a machine forbids to keep it.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Programs that a test starts find the package `tests` as the tests do.
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What stands in `tests/system` starts a process, a terminal, a browser or the emulator."""
    for item in items:
        if (ROOT / "tests" / "system") in item.path.parents:
            item.add_marker(pytest.mark.slow)


def pytest_collection_finish() -> None:
    """What is imported stays: the garbage collector need not look through it again with every test.

    Nor need it look after every 700 objects: an app under test makes that many with a few widgets.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
