"""Programmes on the twin, through ports, daemon and store, to what they give: nobody is needed, and figures,
report and package of each run say by themselves what it was run for.

The twin's sample has a memory of its own (drivers/twin/sample.py) and no slow decay: its S is nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from weighloop.daemon.protocol import Run
from weighloop.daemon.server.client import Client, ClientError
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.tui.cli import weighloop

OWN = """
[short-remanence]
gives = "remanence"
passages = [
  {orientation = 1, from = 0, to = 0.4}, {orientation = 1, from = 0.4, to = 0},
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.5}, {orientation = -1, from = 0.5, to = 0},
  {orientation = -1, from = 0, to = 1}, {orientation = -1, from = 1, to = 0},
]
[short-reversal]
gives = "reversal"
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0.3},
  {orientation = 1, from = 0.3, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.5}, {orientation = -1, from = 0.5, to = 0},
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 1},
]
[short-decay]
gives = "decay"
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4, wait_s = 300}, {orientation = -1, from = 0.4, to = 0},
]
"""


def figures(number: int, store: Path) -> dict[str, object]:
    command = ["figures", str(number), "--store", str(store), "--trials", "200", "--json"]
    done = CliRunner().invoke(weighloop, command, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., tuple[Rehearsal, Client]]]:
    """Begins a rehearsal and takes control of its bench."""
    with ExitStack() as stack:

        def begin(**how: Any) -> tuple[Rehearsal, Client]:
            rehearsal = stack.enter_context(Rehearsal(tmp_path / "store.sqlite", seed=3, speed=40.0, **how))
            client = stack.enter_context(rehearsal.client(60.0))
            client.call("control.take", name="test", force=True)
            return rehearsal, client

        yield begin


@pytest.mark.parametrize("name", ["remanence", "reversal"])
def test_by_a_turner(tmp_path: Path, start: Callable[..., tuple[Rehearsal, Client]], name: str) -> None:
    """The remanence is told within what is stated of it: the twin's own, of the sample in a uniform field
    as large as the bench's. Reversal curves begin on the branch from the largest field: the same at none."""
    rehearsal, client = start(turner=True)
    client.call(
        "run.start", bench_text=rehearsal.bench_text, target_u_kg=None, points=8, programme=f"short-{name}",
        programmes=OWN, name=None, unattended=True,
    )  # fmt: skip
    run = rehearsal.operate(client)
    assert (run["state"], run["why"], run["programme"]) == ("finished", "", f"short-{name}")
    assert rehearsal.hands == 0
    found = figures(1, tmp_path / "store.sqlite")
    assert found["gives"] == name
    assert "misfit" not in [w["code"] for w in found["warnings"]]
    result = found["result"]
    if name == "remanence":
        assert result["left"][0] > 0 > result["left"][-1]
        Mr, u = result["remanence"]["value"], result["remanence"]["u"]
    else:
        curves = {key: np.array(result["curves"][key])[:, 0] for key in ("H", "M", "u_M")}
        order = np.argsort(curves["H"])
        Mr, u = (float(np.interp(0.0, curves["H"][order], curves[key][order])) for key in ("M", "u_M"))
    true = rehearsal.twin.do("truth")["minor"]["remanence_A_per_m"]
    assert abs(Mr - true) < 3.5 * u
    assert u < 0.2 * true


def test_a_programme_by_hand(tmp_path: Path, start: Callable[..., tuple[Rehearsal, Client]]) -> None:
    """Spacers, no lift: the sample lies at each reading as its step has it."""
    rehearsal, client = start(ladder="spacers")
    call = {"bench_text": rehearsal.bench_text, "target_u_kg": None, "programmes": OWN, "points": 6}
    with pytest.raises(ClientError, match="wants a lift"):
        client.call("run.start", programme="short-decay", name=None, **call)
    client.call("run.start", programme="short-remanence", name=None, **call)
    seen: dict[int, tuple[int, int]] = {}
    asked: list[str] = []

    def look(run: Run) -> None:
        if run["action"]["needs_confirm"]:
            asked.append(run["action"]["code"])
        newest = run["points"][-1] if run["points"] else None
        if newest is not None and newest["id"] not in seen and newest["kind"] == "point":
            state = rehearsal.twin.do("state")
            assert state["sample_on"]
            seen[newest["id"]] = state["spacers"], state["orientation"]

    run = rehearsal.operate(client, look)
    assert run["state"] == "finished", run["why"]
    points = [p for p in run["points"] if p["kind"] == "point"]
    wanted = [s for s in run["steps"] if s["kind"] == "point"]
    assert [(p["spacers"], p["orientation"]) for p in points] == [
        (s["spacers"], s["orientation"]) for s in wanted
    ]
    assert {p["id"]: (p["spacers"], p["orientation"]) for p in points if p["id"] in seen} == seen
    assert len(seen) > len(points) // 2
    assert "question" not in asked
    found = figures(1, tmp_path / "store.sqlite")
    assert found["gives"] == "remanence"
    assert "misfit" not in [w["code"] for w in found["warnings"]]
    assert found["used"] > 0.9 * len(points)


def test_recoil_and_decay_from_the_start_to_the_results(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    with Rehearsal(store, seed=3, speed=40.0, turner=True) as rehearsal:
        client = rehearsal.client(60.0)
        client.call("control.take", name="test", force=True)
        common = {"bench_text": rehearsal.bench_text, "target_u_kg": None, "programmes": OWN}
        with pytest.raises(ClientError, match="did you mean 'short-decay'"):
            client.call("run.plan", points=12, programme="short-deacy", **common)
        plan = client.call("run.plan", points=8, programme="short-decay", **common)
        assert plan["seconds"] > 300.0
        assert [needed for needed in plan["attendance"] if needed[0] > 0] == []
        for number, name in enumerate(("recoil", "short-decay"), start=1):
            client.call("run.start", points=8, programme=name, name=None, unattended=True, **common)
            run = rehearsal.operate(client)
            assert run["state"] == "finished", run["why"]
            assert (run["id"], run["programme"]) == (number, name)
        held = [s["wait_s"] for s in run["steps"] if "wait_s" in s]
        there = next(s["height_m"] for s in run["steps"] if "wait_s" in s)
        times = [p["time_s"] for p in run["points"] if p["height_m"] == there][-len(held) :]
        assert rehearsal.hands == 0
        client.close()
    assert times[-1] - times[0] > 0.8 * 300.0
    recoil = figures(1, store)
    assert recoil["gives"] == "recoil"
    assert "misfit" not in [w["code"] for w in recoil["warnings"]]
    loss = recoil["result"]["loss"]
    assert loss[0] == pytest.approx(0.0, abs=0.05)
    assert loss[-1] > 1.0
    decay = figures(2, store)
    assert decay["gives"] == "decay"
    result = decay["result"]
    assert abs(result["S"]) < 3.5 * result["u"]
    for number, found in enumerate((recoil, decay), start=1):
        where = ["--store", str(store)]
        page = tmp_path / f"{number}.html"
        folder = tmp_path / f"package-{number}"
        command = ["report", str(number), *where, "--trials", "200", "-o", str(page)]
        assert CliRunner().invoke(weighloop, command).exit_code == 0
        assert "<svg" in page.read_text(encoding="utf-8")
        command = ["export", str(number), str(folder), *where, "--trials", "200"]
        assert CliRunner().invoke(weighloop, command).exit_code == 0
        again = CliRunner().invoke(weighloop, ["figures", str(folder), "--trials", "200", "--json"])
        assert json.loads(again.stdout)["result"] == found["result"]
