"""Plugs pulled in the middle of a calibration: on real ports, with the twin's uneven bench at the far end.

Whatever was read over a pulled plug is not in use, the run goes on, and what it finds is the twin's truth.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from weighloop.analysis.calibration.coil import source_of_coil
from weighloop.analysis.calibration.from_files import calibrate
from weighloop.daemon.server.client import Client, ClientError
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.daemon.store.coil_table import read_coil_run

#: Pulled once that many points are there: what is done at the bench, and what mends it.
PLUGS: tuple[tuple[int, tuple[str, dict[str, Any]], tuple[str, dict[str, Any]]], ...] = (
    (2, ("unplug", {"port": "lift"}), ("plug", {"port": "lift"})),
    (6, ("unplug", {"port": "balance"}), ("plug", {"port": "balance"})),
    (10, ("source-plug", {"plugged": False}), ("source-plug", {"plugged": True})),
    (14, ("coil-lead", {"broken": True}), ("coil-lead", {"broken": False})),
)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("unattended", [False, True])
def test_a_calibration_outlives_its_plugs(tmp_path: Path, unattended: bool) -> None:
    """A person goes on with it each time; through a night it does so itself."""
    store = tmp_path / "store.sqlite"
    left, held = list(PLUGS), []
    with Rehearsal(store, seed=5, speed=30.0, sample="uneven") as rehearsal, rehearsal.client() as client:

        def pull(run: Any) -> None:
            if left and run["state"] == "running" and len(run["points"]) >= left[0][0]:
                what, details = left[0][1]
                rehearsal.twin.do(what, **details)
                mended.append(left.pop(0)[2])

        mended: list[tuple[str, dict[str, Any]]] = []
        client.call("control.take", name="test", force=True)
        words = {"bench_text": rehearsal.bench_text, "target_u_kg": None, "name": None, "coil": True}
        client.call("run.start", **words, points=4, coil_ends=1, unattended=unattended)
        while (run := rehearsal.operate(client, pull))["state"] == "held":
            held.append(run["why"])
            while mended:
                what, details = mended.pop()
                rehearsal.twin.do(what, **details)
            _until(
                lambda: client.call("snapshot")["run"]["state"] != "held" if unattended else _goes_on(client)
            )
        assert rehearsal.twin.do("state")["coil_current_A"] == 0.0
    assert run["state"] == "finished", run["why"]
    assert not left, "every plug was pulled"
    assert len(held) >= len(PLUGS), held
    used = [p for p in run["points"] if p["set_aside"] is None]
    assert [p["current_A"] > 0 for p in used] == [True, False, False, True] * 4
    flowing = [abs(p["current_A"]) for p in used]
    assert max(flowing) / min(flowing) < 1.02, "nothing was read while the current was off"
    readings, bench = read_coil_run(1, store)
    source = source_of_coil(readings, bench)
    found = calibrate(bench, [source])
    assert abs(found.residuals).max() < 3.5
    assert abs(found.remanence.value - 1.30) < 3 * found.remanence.u
    assert abs(found.contact.value - 1.0e-3) < 3 * found.contact.u


def _goes_on(client: Client) -> bool:
    try:
        client.call("run.go_on")
    except ClientError:
        return client.call("snapshot")["run"]["state"] != "held"
    return True


def _until(true: Callable[[], bool], patience: float = 60.0) -> None:
    end = time.monotonic() + patience
    while not true():
        assert time.monotonic() < end, "did not come true"
        time.sleep(0.1)
