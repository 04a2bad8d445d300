"""A run with spacers by hands and taps alone: twin behind real ports, real daemon, no key, no call that acts.

What the person did stands in the store as if a key had done it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from weighloop.daemon.acquisition.tap_menu import REMARKS
from weighloop.daemon.procedure.run import ENDED
from weighloop.daemon.server.client import Client
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.daemon.store.store import Store

#: Times as fast as life. A machine that is late by a tenth of a second has lost one of the bench's.
SPEED = 10.0


class AtTheBench:
    """A person who sees the run and has the twin's hands, nothing else."""

    def __init__(self, rehearsal: Rehearsal, client: Client) -> None:
        self.twin, self.client = rehearsal.twin, client

    def run(self) -> Any:
        return self.client.call("snapshot")["run"]

    def until(self, true: Callable[[Any], bool], patience: float = 30.0) -> Any:
        end = time.monotonic() + patience
        while not true(run := self.run()):
            assert time.monotonic() < end, (run["state"], run["why"], run["action"], run["by_taps"])
            time.sleep(0.02)
        return run

    def rests(self) -> None:
        """Wait until the digits rest, as the twin's stability mark says."""
        end = time.monotonic() + 20
        while (live := self.client.call("snapshot")["live"]) is None or live["mark"] != "steady":
            assert time.monotonic() < end, live
            time.sleep(0.02)

    def taps(self, count: int, true: Callable[[Any], bool]) -> Any:
        """Tap until it was heard: a row that a late machine has spoilt is none, and is tapped again."""
        for _ in range(5):
            self.rests()
            self.twin.do("tap", times=count)
            end = time.monotonic() + 4.0 / SPEED + 0.3
            while time.monotonic() < end:
                if true(run := self.run()):
                    return run
                time.sleep(0.02)
        raise AssertionError((count, run["action"], run["by_taps"]))

    def says(self, *counts: int, then: Callable[[Any], bool]) -> Any:
        """Three taps, then one number after the other, each when its list is there."""
        for _ in range(4):
            run = self.taps(3, lambda run: run["by_taps"]["open"])
            for count in counts[:-1]:
                title = run["by_taps"]["title"]
                run = self.taps(count, lambda run, title=title: run["by_taps"]["title"] not in ("", title))
            self.rests()
            self.twin.do("tap", times=counts[-1])
            end = time.monotonic() + 4.0 / SPEED + 1.0
            while time.monotonic() < end:
                if then(run := self.run()):
                    return run
                time.sleep(0.02)
            self.until(lambda run: not (run["by_taps"] or {}).get("open"))  # it closes by itself
        raise AssertionError((counts, run["action"], run["by_taps"]))

    def hands(self, action: Any, spacers: int | None = None) -> None:
        """Do what is asked for; ``spacers``: another count than that."""
        if action["code"] == "set-spacers":
            self.twin.do("set-spacers", n=action["spacers"] if spacers is None else spacers)
        elif action["code"] == "place-sample":
            self.twin.do("place-sample", orientation=action["orientation"])
        else:
            self.twin.do(action["code"])

    def does(self, action: Any, spacers: int | None = None) -> None:
        """Do it; where the balance has not noticed after a while, two taps say so."""
        self.hands(action, spacers)
        end = time.monotonic() + 6.0 / SPEED
        while time.monotonic() < end:
            if self.run()["action"] != action:
                return
            time.sleep(0.02)
        self.taps(2, lambda run: run["action"] != action)

    def asked(self) -> Iterator[Any]:
        """The run whenever something is asked of a person, until it is over."""
        while True:
            run = self.until(lambda run: run["action"]["needs_confirm"] or run["state"] in ENDED)
            if run["state"] in ENDED:
                return
            yield run


def points(run: Any) -> int:
    return sum(point["kind"] == "point" for point in run["points"])


@pytest.mark.timeout(240)
def test_a_run_in_which_everything_is_said_by_taps(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    with Rehearsal(store, seed=5, speed=SPEED, ladder="spacers") as rehearsal, rehearsal.client() as client:
        client.call("control.take", name="the form", force=False)
        start = {"bench_text": rehearsal.bench_text, "points": 3, "target_u_kg": None, "name": None}
        number = client.call("run.start", **start, hands_free=True)
        client.call("control.release")  # from here on no call acts
        at = AtTheBench(rehearsal, client)
        told: set[str] = set()
        for run in at.asked():
            action, code = run["action"], run["action"]["code"]
            if code == "remove-sample" and points(run) == 1 and "repeat" not in told:
                told.add("repeat")
                at.says(3, then=lambda run: any(p["set_aside"] == "taken again" for p in run["points"]))
                continue
            if code == "remove-sample" and points(run) >= 2 and "aside" not in told:
                told.add("aside")
                at.says(4, 3, then=lambda run: run["points"][-1]["set_aside"] == REMARKS[1])
                at.says(4, then=lambda run: run["points"][-1]["set_aside"] is None)
                at.says(4, 4, then=lambda run: run["points"][-1]["set_aside"] == REMARKS[2])
            if code == "set-spacers" and points(run) >= 2 and "hold" not in told:
                told.add("hold")
                at.says(2, then=lambda run: run["state"] == "held")
                at.says(2, then=lambda run: run["state"] == "running")
                continue
            if code == "set-spacers" and points(run) >= 3 and "question" not in told:
                told.add("question")
                at.does(action, spacers=action["spacers"] + (1 if action["spacers"] == 0 else -1))
                at.until(lambda run: run["action"]["code"] == "question")
                at.taps(4, lambda run: run["action"]["code"] == "set-spacers")  # once more
                continue
            if code == "place-sample" and points(run) >= 3 and "note" not in told:
                told.add("note")
                noted = client.call("snapshot")["log"][-1]["id"]
                at.says(
                    5,
                    6,
                    then=lambda run, noted=noted: any(
                        line["id"] > noted and line["kind"] == "note"
                        for line in client.call("snapshot")["log"]
                    ),
                )
            if code == "question":
                raise AssertionError(action)
            if points(run) >= 5:
                assert told == {"repeat", "aside", "hold", "question", "note"}
                at.says(6, 4, then=lambda run: run["state"] == "stopped")
                continue
            at.does(action)
    with Store(store, read_only=True) as kept:
        events = kept.events(number)
    kinds = [event.kind for event in events]
    by_taps = [event.text for event in events if event.kind == "taps"]
    assert by_taps == [
        "By taps: read this gap once more",
        "By taps: hold the run",
        "By taps: go on",
        "By taps: once more",
        "By taps: yes, stop it",
    ]
    aside = [event.data["why"] for event in events if event.kind == "set-aside"]
    assert aside == [REMARKS[1], None, REMARKS[2]]
    assert [event.text for event in events if event.kind == "note"] == [f"{REMARKS[4]} (by taps)"]
    assert [event.data["why"] for event in events if event.kind in ("held", "stopped")] == ["by taps"] * 2
    assert kinds.count("went-on") == 1
    said = {event.data.get("how") for event in events if event.kind == "hands"}
    assert said <= {"seen by the balance", "tapped on the pan", None}
    assert "tapped on the pan" in said
    assert "said by the person" not in said
