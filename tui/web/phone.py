"""A small page for a phone: what runs, the loop so far, when it is done or why it is held."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...daemon.protocol import Run
from ..format import clock_time, duration, grams
from ..state.compute import Magnetised, NotYet, magnetisation
from ..state.snapshot import asides, bench_facts
from .bench_link import BenchFacts
from .loop_picture import loop_picture

if TYPE_CHECKING:
    from jinja2 import Template

#: Lines of the log that are shown.
LOG_SHOWN = 5


class PhonePage:
    """Draws the page; the loop is computed again only when the run has changed."""

    def __init__(self) -> None:
        self._drawn: tuple[Any, str] = (None, "")

    def html(self, facts: BenchFacts | None, why: str, nonce: str) -> str:
        """The whole page. ``facts`` None: no daemon answers, and ``why``."""
        now = datetime.now(UTC)
        words: dict[str, Any] = {"nonce": nonce, "now": f"{now:%H:%M:%S}", "picture": ""}
        if facts is None:
            words |= {"title": "Weighloop: no daemon", "heading": "Weighloop", "state": "No daemon answers"}
            return _template().render(words | {"wrong": why})
        status, snapshot = facts
        run = snapshot["run"]
        words["log"] = [
            (clock_time(one["utc"]), one["text"]) for one in snapshot["log"][: -LOG_SHOWN - 1 : -1]
        ]
        live = snapshot["live"]
        if live is not None and live["reading_kg"] is not None:
            text = run["bench_text"] if run is not None else snapshot["bench_text"]
            words["reading"] = f"{grams(live['reading_kg'], bench_facts(text)[1])} g"
        if not status["well"]:
            words["wrong"] = status["why"]
        if run is None:
            words |= {"title": "Weighloop: no run", "heading": "Weighloop", "state": "No run yet"}
            return _template().render(words)
        words |= {
            "title": f"{run['sample']}: {run['state']}",
            "heading": f"{run['sample']}, run {run['id']}",
            "state": _state(run, now),
            "action": run["action"]["text"] if run["state"] == "running" else "",
            "steps": len(run["steps"]),
            "done": run["steps_done"],
            "progress": _progress(run),
            "picture": self._picture(run),
        }
        return _template().render(words)

    def _picture(self, run: Run) -> Any:
        from markupsafe import Markup

        key = (run["id"], run["steps_done"], len(run["points"]), asides(run))
        if self._drawn[0] != key:
            try:
                loop = magnetisation(run)
            except NotYet:
                loop = Magnetised([], [])
            self._drawn = (key, loop_picture(loop))
        return Markup(self._drawn[1])


def _state(run: Run, now: datetime) -> str:
    left = run["seconds_left"]
    if run["state"] == "running" and left is not None:
        return f"Running; done at about {now + timedelta(seconds=left):%H:%M} (UTC), in {duration(left)}"
    return f"{run['state'].capitalize()}{': ' + run['why'] if run['why'] else ''}"


def _progress(run: Run) -> str:
    readings = sum(point["kind"] == "point" for point in run["points"])
    text = f"{run['steps_done']} of {len(run['steps'])} steps, {readings} readings"
    return text + (f", {asides(run)} set aside" if asides(run) else "")


@cache
def _template() -> Template:
    from jinja2 import Environment

    source = (Path(__file__).parent / "phone.html").read_text(encoding="utf-8")
    return Environment(autoescape=True).from_string(source)
