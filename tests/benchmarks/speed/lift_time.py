"""Where the time of a loop on the lift goes, on the twin's own clock: no machine's load counts.

    python -m tests.benchmarks.speed.lift_time --seeds 5
    python -m tests.benchmarks.speed.lift_time --seeds 5 --points 22

Twin, controller, procedure and store are the real ones, turned by hand (``support.bench.twin_night``); the
planner answers as its process does, ``DECIDES`` later. *travel* is the way at the largest feed, *ramps and
words* the rest of the moves, *deciding* all time in which nothing is under way.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from tests.support.bench.twin_night import TwinNight
from weighloop.daemon.control.queue import RunRequest
from weighloop.daemon.procedure.plan import make_plan
from weighloop.daemon.procedure.replan import answer, in_words, question

#: The largest feed, m/s; seconds of bench time until the planner has answered; a turn of the loop, s.
FEED, DECIDES, TURN = 4e-3, 0.3, 0.04
OF_TASK = {"establish": "homing", "turn": "turning", "read": "settling"}
PHASES = ("travel", "ramps and words", "homing", "turning", "settling", "deciding")


class TimedLoop(TwinNight):
    """One loop, and where its seconds went."""

    def __init__(self, store: Path, seed: int) -> None:
        super().__init__(store, seed, TURN)
        self.seconds: Counter[str] = Counter()
        self._decided: list[tuple[float, int, Any]] = []
        self.controller.planner.hear = self._decide  # pyright: ignore[reportAttributeAccessIssue]

    def _decide(self, event: Any, run: Any) -> None:
        asked = question(run) if run is not None and event.kind == "point" else None
        steps = answer(asked) if asked is not None else None
        if asked is not None and steps is not None:
            data = {"after": asked["after"]["step"], "steps": steps}
            new = ("replanned", in_words(steps, asked["after"]), data)
            self._decided.append((self.twin.now + DECIDES, run.id, new))

    def weigh(self, points: int | None, until: str | None) -> None:
        """The whole loop; AssertionError where it does not finish."""
        plan = make_plan(self.bench_text, points, until=until)
        self.controller.add_run(RunRequest(plan, self.bench_text, "test", unattended=True))
        while self.run is None or self.run.state in ("planned", "running"):
            task = self.controller.stage.task
            before = self.twin.lift.stage.height
            self.advance(TURN)
            way = abs(self.twin.lift.stage.height - before) / FEED
            kind = "deciding" if task is None else task.kind
            if kind in ("approach", "retreat"):
                self.seconds["travel"] += way
                self.seconds["ramps and words"] += TURN - way
            else:
                self.seconds[
                    {"establish": "homing", "turn": "turning", "read": "settling"}.get(kind, kind)
                ] += TURN
            while self._decided and self._decided[0][0] <= self.twin.now:
                _, number, new = self._decided.pop(0)
                self.controller.edit(*new, number)
        assert self.run.state == "finished", self.run.why


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--points", type=int, help="the number of gaps of a plain ladder")
    parser.add_argument("--until", default="readings cannot help")
    asked = parser.parse_args()
    until = None if asked.points else asked.until
    print(f"| seed | readings | {' | '.join(PHASES)} | in all, s |\n" + "| --- " * (3 + len(PHASES)) + "|")
    rows: list[list[float]] = []
    for seed in range(asked.first, asked.first + asked.seeds):
        with tempfile.TemporaryDirectory() as folder:
            loop = TimedLoop(Path(folder) / "store.sqlite", seed)
            loop.weigh(asked.points, until)
            assert loop.run is not None
            each = [loop.seconds[phase] for phase in PHASES]
            rows.append([len([p for p in loop.run.points if not p["set_aside"]]), *each, sum(each)])
            loop.store.close()
        print(f"| {seed} | " + " | ".join(f"{value:.0f}" for value in rows[-1]) + " |", flush=True)
    print("| median | " + " | ".join(f"{value:.0f}" for value in np.median(rows, axis=0)) + " |")


if __name__ == "__main__":
    main()
