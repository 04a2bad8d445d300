"""The example script does a whole run on the bench twin, with somebody at its keyboard."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import ROOT
from weighloop.daemon.simulation.rehearsal import Rehearsal

SCRIPT = ROOT / "hardware_notes" / "run_from_a_notebook.py"


@pytest.mark.skipif(os.name == "nt", reason="the twin needs pseudo-terminals")
def test_a_run_from_a_notebook(tmp_path: Path) -> None:
    with Rehearsal(tmp_path / "store.sqlite", seed=2, speed=60.0) as rehearsal:
        bench = rehearsal.twin.places["bench_file"]
        words = [sys.executable, str(SCRIPT), bench, "--points", "3", "--socket", str(rehearsal.socket)]
        script = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert script.stdin is not None
        assert script.stdout is not None
        said = []
        with script, rehearsal.client() as watcher:
            for line in script.stdout:
                said.append(line)
                if "press Enter" in line:
                    rehearsal.twin.do(watcher.call("snapshot")["run"]["action"]["code"])
                    script.stdin.write("\n")
                    script.stdin.flush()
            script.wait(20)
            run = watcher.call("runs.get", run=1)
    text = "".join(said)
    assert script.returncode == 0, text
    assert run["state"] == "finished"
    assert f"is finished: {len(run['points'])} readings" in text
    for point in run["points"]:
        assert f"{point['value_kg'] * 1e3:.4f} g" in text
