"""How far the run is: five passages, each a rung of its own, with what is left in time."""

from __future__ import annotations

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

    def show(self, run: Run | None) -> None:
        """Draw the progress of a run."""
        self._run = run
        self.refresh()

    def render(self) -> Text:
        run = self._run
        if run is None:
            return Text("")
        return progress(run, self.size.width)


def progress(run: Run, width: int) -> Text:
    """The two lines for a run, ``width`` cells wide."""
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
    facts = [f"step {min(run['steps_done'] + 1, len(run['steps']))} of {len(run['steps'])}"]
    if run["state"] in ("finished", "stopped"):
        facts = [f"{run['steps_done']} of {len(run['steps'])} steps"]
    elif here is not None:
        facts.append(f"passage {leg_words(here['leg'])}")
        if run["seconds_left"] is not None:
            facts.append(f"about {duration(run['seconds_left'])} left")
    bar.append("\n" + "   ".join(facts))
    return bar
