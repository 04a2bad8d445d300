"""How far the run is: five passages, each a rung of its own, with what is left in time."""

from __future__ import annotations

from datetime import datetime, timedelta

from rich.text import Text
from textual.widgets import Static

from ...daemon.protocol import Run
from ..format import LEGS, duration, passage_words
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
    here = next_step(run)
    bar = _passages(run, width) if "programme" in run else _legs(run, width)
    passage = f"passage {passage_words(run, here)}" if here is not None else ""
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


def _shares(run: Run) -> dict[int, float]:
    """How much of each passage is done."""
    total: dict[int, int] = {}
    done: dict[int, int] = {}
    for k, step in enumerate(run["steps"]):
        if step["kind"] == "point":
            total[step["leg"]] = total.get(step["leg"], 0) + 1
            done[step["leg"]] = done.get(step["leg"], 0) + (k < run["steps_done"])
    return {leg: done[leg] / count for leg, count in sorted(total.items())}


def _now(run: Run, leg: int) -> bool:
    here = next_step(run)
    return here is not None and here["leg"] == leg and run["state"] in ("running", "held")


def _rail(share: float, cells: int) -> str:
    filled = round(share * cells)
    return "━" * filled + "─" * (cells - filled)


def _legs(run: Run, width: int) -> Text:
    """The five passages of a loop, by name."""
    bar, shares = Text(), _shares(run)
    cell = max(4, (width + 1) // len(LEGS) - 1)
    for leg, words in enumerate(LEGS):
        bar.append(f"{words} ", style="bold" if _now(run, leg) else "dim")
        rail = _rail(shares.get(leg, 0.0), cell - len(words) - 1)
        bar.append(rail + " ", style="bold" if _now(run, leg) else "")
    return bar


def _passages(run: Run, width: int) -> Text:
    """The passages of another programme, after its name."""
    name, shares = run.get("programme", ""), _shares(run)
    bar = Text(f"{name} ", style="bold")
    cell = max(1, (width - len(name) - 1) // max(len(shares), 1) - 1)
    for leg, share in shares.items():
        bar.append(_rail(share, cell) + " ", style="bold" if _now(run, leg) else "")
    return bar
