"""How far the run is: five passages, each a rung of its own, with what is left in time."""

from __future__ import annotations

from datetime import datetime, timedelta

from rich.text import Text
from textual.widgets import Static

from ...daemon.protocol import Run
from ..format import LEGS, duration, leg_words
from ..state.snapshot import next_step


class ProgressLadder(Static):
    """Two lines: the passages as bars with their names, and the count in words."""

    def __init__(self) -> None:
        super().__init__(markup=False)
        self._run: Run | None = None
        self._left = ""

    def show(self, run: Run | None, pace: float, now: datetime) -> None:
        """Draw the progress of a run; the bench's clock is ``pace`` times as fast as this side's, ``now``."""
        left = time_left(run, pace, now)
        if run is not self._run or left != self._left:
            self._run, self._left = run, left
            self.refresh()

    def render(self) -> Text:
        run = self._run
        if run is None:
            return Text("")
        return progress(run, self.size.width, self._left)


def time_left(run: Run | None, pace: float, now: datetime) -> str:
    """How long a run still takes and when it ends, by this side's clock; nothing where that is not known."""
    if run is None or run["seconds_left"] is None or run["state"] in ("finished", "stopped"):
        return ""
    left = run["seconds_left"] / pace
    if run["state"] == "held":
        return f"about {duration(left)} left once it goes on"
    end = now + timedelta(seconds=left)
    day = "" if end.date() == now.date() else f"{end:%a} "
    return f"about {duration(left)} left, until {day}{end:%H:%M}"


def progress(run: Run, width: int, left: str) -> Text:
    """The two lines for a run, ``width`` cells wide."""
    if run.get("coil", False):
        return _coil(run, width, left)
    total = [0] * len(LEGS)
    done = [0] * len(LEGS)
    for k, step in enumerate(run["steps"]):
        if step["kind"] == "point" and 0 <= step["leg"] < len(LEGS):
            total[step["leg"]] += 1
            done[step["leg"]] += k < run["steps_done"]
    here = next_step(run)
    cell = max(4, (width + 1) // len(LEGS) - 1)
    bar = Text()
    for leg, words in enumerate(LEGS):
        share = done[leg] / total[leg] if total[leg] else 0.0
        now = here is not None and here["leg"] == leg and run["state"] in ("running", "held")
        filled = round(share * (cell - len(words) - 1))
        rail = "━" * filled + "─" * (cell - len(words) - 1 - filled)
        bar.append(f"{words} ", style="bold" if now else "dim")
        bar.append(rail + " ", style="bold" if now else "")
    passage = f"passage {leg_words(here['leg'])}" if here is not None else ""
    return bar.append(f"\n{_facts(run, passage, left)}")


def _facts(run: Run, where: str, left: str) -> str:
    """The count in words, where it is, and how long it still takes."""
    if run["state"] in ("finished", "stopped"):
        return f"{run['steps_done']} of {len(run['steps'])} steps"
    step = f"step {min(run['steps_done'] + 1, len(run['steps']))} of {len(run['steps'])}"
    return "   ".join([step, *filter(None, (where, left if where else ""))])


def _coil(run: Run, width: int, left: str) -> Text:
    """Of a coil: one bar, and which end is down."""
    here, words = next_step(run), "the coil"
    share = run["steps_done"] / max(len(run["steps"]), 1)
    rail = max(4, width - len(words) - 2)
    filled = round(share * rail)
    bar = Text(f"{words} ", style="bold")
    bar.append("━" * filled + "─" * (rail - filled))
    end = "" if here is None else f"marked face {'up' if here['orientation'] > 0 else 'down'}"
    return bar.append(f"\n{_facts(run, end, left)}")
