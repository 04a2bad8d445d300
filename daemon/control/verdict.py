"""Is a level that the filter accepts a reading of this gap, and what of one that it never accepted?"""

from __future__ import annotations

from typing import Any

from ..acquisition.answers import Answers
from ..acquisition.level import Acquisition
from ..procedure.events import NotBelieved, NotSettled, Task
from ..procedure.prediction import least_change
from ..procedure.run import RunRecord


def verdict_on(
    answers: Answers, run: RunRecord | None, task: Task, acquisition: Acquisition, reading: dict[str, Any]
) -> bool | NotBelieved:
    """Whether the balance was seen to answer what was done before the level: True, False for not yet, or why
    the run is to be held."""
    settling = acquisition.settling
    began = acquisition.began or 0.0
    since = settling.level_since if settling is not None and settling.level_since is not None else began
    level, u = reading["value_kg"], reading["u_kg"]
    # The level may be known best at a moment before: how long it was seen counts to the newest reading.
    verdict = answers.judge(level, u, acquisition.heard, max(since, began), least_change(run, task.step))
    if verdict.code in ("take", "wait"):
        return verdict.code == "take"
    return NotBelieved(task.serial, verdict.code, verdict.why, reading, verdict.doubtful)


def not_settled(
    task: Task, acquisition: Acquisition, now: float, waited: float, measured: dict[str, float | None]
) -> NotSettled:
    """No level was accepted within the patience: why, and the reading there is where only noise keeps it from
    being known well enough, with what else was ``measured``."""
    acquisition.idle(now)
    settling = acquisition.settling
    why = settling.text if settling is not None else "no readings"
    noisy = settling is not None and settling.reason == "too noisy for the target"
    text = f"the reading did not settle in {waited:.0f} s: {why}"
    reading = acquisition.taken() if noisy else None
    return NotSettled(task.serial, text, None if reading is None else reading | measured)
