"""Processor time of this process with all that it has started, for benchmarks (Linux: proc(5))."""

from __future__ import annotations

import os
import resource
from pathlib import Path


def processor_s() -> float:
    """Seconds of processor time of this process, its children that have ended, and those that live."""
    mine, ended = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return (
        mine.ru_utime
        + mine.ru_stime
        + ended.ru_utime
        + ended.ru_stime
        + sum(map(_of_child, _children("self")))
    )


def _children(process: int | str) -> list[int]:
    found: list[int] = []
    for children in Path(f"/proc/{process}/task").glob("*/children"):
        try:
            found += map(int, children.read_text().split())
        except OSError:  # the thread has ended
            continue
    return found


def processor_of(process: int) -> float:
    """As ``processor_s`` for another process; raises OSError where there is none."""
    # After the name, which may hold anything: state is the third field, utime the 14th.
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    ticks = sum(map(int, fields[11:15]))  # utime, stime, and those of its own ended children
    return ticks / os.sysconf("SC_CLK_TCK") + sum(map(_of_child, _children(process)))


def _of_child(process: int) -> float:
    try:
        return processor_of(process)
    except OSError:  # it has ended
        return 0.0


def machine_busy_s() -> float:
    """Seconds of processor time that the whole machine has spent on anything, all cores together."""
    user, nice, system, _idle, _wait, *other = map(
        int, Path("/proc/stat").read_text().split("\n")[0].split()[1:]
    )
    return (user + nice + system + sum(other[:2])) / os.sysconf("SC_CLK_TCK")
