"""The process that plans a run again beside the daemon: it answers, is begun again, and harms nothing."""

from __future__ import annotations

import os
import queue
import signal
from contextlib import suppress
from dataclasses import replace
from typing import Any

from tests.daemon.procedure.test_replan import planned, weighed
from weighloop.daemon.control.planner import Planner
from weighloop.daemon.procedure.run import LogEvent, RunRecord

READING = LogEvent(50, 1, 0.0, "u", "point", "", {})


def on_the_way_in() -> RunRecord:
    """A run some readings after the turn."""
    _, run = planned("lift")
    magnetised = 1
    while sum(p["leg"] == 2 and p["kind"] == "point" for p in run.points) < 3:
        run, magnetised = weighed(run, magnetised)
    return run


def test_an_answer_comes_and_comes_again_after_the_process_was_killed() -> None:
    answers: queue.Queue[tuple[int, Any]] = queue.Queue()
    planner, run = Planner(lambda number, entry: answers.put((number, entry))), on_the_way_in()
    try:
        planner.hear(READING, run)
        number, (kind, text, data) = answers.get(timeout=120)
        assert (number, kind) == (1, "replanned")
        assert "Planned again" in text
        assert {step["leg"] for step in data["steps"]} >= {2, 3}
        assert planner.pid is not None
        os.kill(planner.pid, getattr(signal, "SIGKILL", signal.SIGTERM))
        # A question may be lost with the process: then the run goes on, and the next reading asks again.
        for _ in range(40):
            planner.hear(READING, run)
            with suppress(queue.Empty):
                assert answers.get(timeout=4)[1][2] == data
                break
        else:
            raise AssertionError("no answer")
    finally:
        planner.close()


def test_what_it_cannot_read_leaves_the_plan_as_it_is() -> None:
    answers: queue.Queue[Any] = queue.Queue()
    planner, run = Planner(lambda number, entry: answers.put(entry)), on_the_way_in()
    try:
        planner.hear(READING, replace(run, bench_text="[reference_magnet]\n"))
        planner.hear(READING, run)
        while answers.empty():
            planner.hear(READING, run)
            with suppress(queue.Empty):
                answers.put(answers.get(timeout=4))
        assert answers.get()[0] == "replanned"
    finally:
        planner.close()
