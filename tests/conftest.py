"""What all tests share."""

from __future__ import annotations

import gc
import os
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.support import ROOT
from tests.support.examples import QUICK, in_turn  # before the workers are started: which part comes in turn

# Two workers with two threads each on two cores are in each other's way; before numpy is first imported.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# How long an example takes says nothing on a machine that does other work too.
settings.register_profile("weighloop", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("weighloop")

# What hundreds of started programs import is compiled once, also where a machine forbids to keep it.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Thousands of small files come, are synced and go: in memory, where there is room for programs too. To remove
# those of an earlier session alone takes seconds on a disk.
MEMORY = Path("/dev/shm")
if os.name == "posix" and os.access(MEMORY, os.W_OK):
    there = os.statvfs(MEMORY)
    if there.f_bavail * there.f_frsize > 1e9 and not there.f_flag & os.ST_NOEXEC:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# Programs that a test starts find the package `tests` as the tests do.
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))

# The garbage collector need not look after every 700 objects: an import makes that many, and an app under
# test with a few widgets.
gc.set_threshold(500_000, 20, 20)


#: What stands here starts a process, a terminal, a browser or the emulator.
SYSTEM = ROOT / "tests" / "system"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if SYSTEM in item.path.parents:
            item.add_marker(pytest.mark.slow)
    if QUICK:
        costly = [item for item in items if item.get_closest_marker("costly")]
        later = set(costly) - set(in_turn(costly))
        config.hook.pytest_deselected(items=list(later))
        items[:] = [item for item in items if item not in later]
    if hasattr(config, "workerinput"):
        turn = begin_of(items, config.workerinput["seconds"])  # pyright: ignore[reportAttributeAccessIssue]
        items.sort(key=lambda item: turn[item.path])


#: How long each file took the last time: all that is kept from one session to the next. The two loops apart.
SECONDS = f"weighloop/seconds of {'check' if QUICK else 'test'}"


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """To every worker the same, or they would disagree about the order."""
    cache = node.config.cache
    node.workerinput["seconds"] = cache.get(SECONDS, {}) if cache else {}


def begin_of(items: list[pytest.Item], seconds: dict[str, float]) -> dict[Path, float]:
    """When each file begins, of the whole time: a worker takes the next file when it is done with one.

    The longest come first, so that at the end no worker has a long one to itself. Files that wait for ports
    and processes and files that compute take turns, so that while some workers wait the others keep the
    processor busy; the last are some that compute. A file not known is as long as a usual one.
    """
    files = list(dict.fromkeys(item.path for item in items))
    long = {path: seconds.get(path.relative_to(ROOT).as_posix(), 1.0) + 0.01 for path in files}
    begin: dict[Path, float] = {}
    for waits, share in ((True, 0.9), (False, 1.0)):
        some = [path for path in files if (SYSTEM in path.parents) is waits]
        some.sort(key=lambda path: -long[path])
        whole, before = sum(long[path] for path in some), 0.0
        for path in some:
            begin[path] = share * before / whole
            before += long[path]
    return begin


class Clock:
    """Adds up how long the tests of each file take."""

    def __init__(self) -> None:
        self.seconds: defaultdict[str, float] = defaultdict(float)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid.partition("::")[0]] += report.duration


def pytest_configure(config: pytest.Config) -> None:
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(Clock(), "clock")


def pytest_collection_finish() -> None:
    """What is imported stays: the garbage collector need not look through it again with every test."""
    gc.collect()
    gc.freeze()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """What is left goes with the process: nobody need look through it once more."""
    gc.freeze()
    config = session.config
    clock = config.pluginmanager.get_plugin("clock")
    whole = config.args_source is config.ArgsSource.TESTPATHS and not config.option.keyword
    if isinstance(clock, Clock) and whole and not session.shouldstop and config.cache:
        config.cache.set(SECONDS, {file: round(seconds, 2) for file, seconds in clock.seconds.items()})
