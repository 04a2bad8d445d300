"""Programmes on the twin, through ports, daemon and store, to what they give: nobody is needed, and figures,
report and package of each run say by themselves what it was run for.

The twin's sample has a memory of its own (drivers/twin/sample.py) and no slow decay: its S is nothing.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from weighloop.daemon.server.client import ClientError
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.tui.cli import weighloop

OWN = """
[short-decay]
gives = "decay"
passages = [
  {orientation = 1, from = 0, to = 1}, {orientation = 1, from = 1, to = 0},
  {orientation = -1, from = 0, to = 0.4, wait_s = 900}, {orientation = -1, from = 0.4, to = 0},
]
"""


def figures(number: int, store: Path) -> dict[str, object]:
    command = ["figures", str(number), "--store", str(store), "--trials", "200", "--json"]
    done = CliRunner().invoke(weighloop, command, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_recoil_and_decay_from_the_start_to_the_results(tmp_path: Path) -> None:
    store = tmp_path / "store.sqlite"
    with Rehearsal(store, seed=3, speed=40.0, turner=True) as rehearsal:
        client = rehearsal.client(60.0)
        client.call("control.take", name="test", force=True)
        common = {"bench_text": rehearsal.bench_text, "target_u_kg": None, "programmes": OWN}
        with pytest.raises(ClientError, match="did you mean 'short-decay'"):
            client.call("run.plan", points=12, programme="short-deacy", **common)
        plan = client.call("run.plan", points=12, programme="short-decay", **common)
        assert plan["seconds"] > 900.0
        assert [needed for needed in plan["attendance"] if needed[0] > 0] == []
        for number, name in enumerate(("recoil", "short-decay"), start=1):
            client.call("run.start", points=12, programme=name, name=None, unattended=True, **common)
            run = rehearsal.operate(client)
            assert run["state"] == "finished", run["why"]
            assert (run["id"], run["programme"]) == (number, name)
        held = [s["wait_s"] for s in run["steps"] if "wait_s" in s]
        there = next(s["height_m"] for s in run["steps"] if "wait_s" in s)
        times = [p["time_s"] for p in run["points"] if p["height_m"] == there][-len(held) :]
        assert rehearsal.hands == 0
        client.close()
    assert times[-1] - times[0] > 0.8 * 900.0
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
    for number in (1, 2):
        where = ["--store", str(store)]
        page = tmp_path / f"{number}.html"
        folder = tmp_path / f"package-{number}"
        command = ["report", str(number), *where, "--trials", "200", "-o", str(page)]
        assert CliRunner().invoke(weighloop, command).exit_code == 0
        assert "<svg" in page.read_text(encoding="utf-8")
        command = ["export", str(number), str(folder), *where, "--trials", "200"]
        assert CliRunner().invoke(weighloop, command).exit_code == 0
        again = CliRunner().invoke(weighloop, ["figures", str(folder), "--trials", "200", "--json"])
        assert json.loads(again.stdout)["result"] == figures(number, store)["result"]
