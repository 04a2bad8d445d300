"""A calibration through real ports, daemon and store: the twin's uneven bench and its coil, with the lift and
its current source, or with spacers and a supply, both in a person's hands.

What is found is judged by the twin's truth, which the analysis never sees.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from weighloop.analysis.calibration.check import check_coil
from weighloop.analysis.calibration.coil import source_of_coil
from weighloop.analysis.calibration.from_files import calibrate
from weighloop.daemon.simulation.rehearsal import Rehearsal
from weighloop.daemon.store.coil_table import read_coil_run


@pytest.mark.timeout(300)
@pytest.mark.parametrize("by_hand", [True, False])
def test_the_coil_finds_the_twins_truth(tmp_path: Path, by_hand: bool) -> None:
    store = tmp_path / "store.sqlite"
    ladder = "spacers" if by_hand else "lift"
    twin = Rehearsal(store, seed=5, speed=30.0, sample="uneven", ladder=ladder)
    with twin as rehearsal, rehearsal.client() as client:
        client.call("control.take", name="test", force=True)
        words = {"bench_text": rehearsal.bench_text, "target_u_kg": None, "name": None, "coil": True}
        client.call("run.start", **words, points=2 if by_hand else 4, coil_ends=1 if by_hand else 2)
        run = rehearsal.operate(client)
        assert run["state"] == "finished", run["why"]
        state = rehearsal.twin.do("state")
        assert state["coil_current_A"] == 0.0
        asked = rehearsal.hands
        if not by_hand:
            client.call("run.start", **words, points=1)
            check = rehearsal.operate(client)
            assert check["state"] == "finished", check["why"]
    points = run["points"]
    assert {p["set_aside"] for p in points} == {None}
    if by_hand:
        assert all(abs(abs(p["current_A"]) - 48e-3) < 1e-9 for p in points)
        assert asked == 2 + 3 + 1 + 2 + 1, "off and on with spacers, + - +; off, on, - +; and the supply off"
        return
    assert asked == 2, "to put it on, and the other end down"
    assert all(p["resistance_ohm"] > 8 for p in points)
    readings, bench = read_coil_run(1, store)
    found = calibrate(bench, [source_of_coil(readings, bench)])
    assert abs(found.remanence.value - 1.30) < 3 * found.remanence.u
    assert abs(found.contact.value - 1.0e-3) < 3 * found.contact.u
    assert abs(found.found("core_excess").value - 0.04) < 3 * found.found("core_excess").u
    assert abs(found.found("scale").value - 1.005) < 3 * found.found("scale").u
    calibrated = found.applied_to(bench, "2026-11-29", "2027-05-28")
    again, _ = read_coil_run(2, store, calibrated)
    assert check_coil(source_of_coil(again, calibrated), calibrated).holds
