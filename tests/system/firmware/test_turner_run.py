"""A whole loop that needs nobody, through real ports: daemon, driver, the firmware on its chip, and a balance
that weighs what the chip's pins say; with a reset in the middle of a turn."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.support.daemon import Served
from tests.support.lift.lift_emulator import RELEASED_UM, TURNING, Emulator
from tests.support.lift.weighed_lift import WeighedLift

pytestmark = pytest.mark.firmware

RATE, CHIP_RATE = 6.0, 15.0  # the chip's is the faster, so that the host's deadlines hold


@pytest.mark.timeout(400)
def test_a_loop_without_hands_through_a_reset_in_mid_turn(build: Path, tmp_path: Path) -> None:
    emulator = Emulator(build, tmp_path, speed=CHIP_RATE)
    emulator("turner 1 700")
    asked, broken = [], False
    with (
        WeighedLift(emulator, tmp_path, RATE) as bench,
        Served(tmp_path, rate=RATE) as served,
        served.client(control=True) as client,
    ):
        client.call(
            "run.start",
            bench_text=bench.bench_text,
            points=3,
            target_u_kg=5e-6,
            name=None,
            unattended=True,
        )
        end = time.monotonic() + 360
        while (run := client.call("snapshot")["run"])["state"] not in ("finished", "stopped"):
            assert time.monotonic() < end, (run["state"], run["why"], run["action"])
            if run["action"]["needs_confirm"]:
                asked.append(run["action"]["text"])
            if not broken and run["steps_done"] > 6 and "turns" in run["action"]["text"]:
                with bench.asking:
                    emulator("brown-out 5")
                broken = True
            time.sleep(0.02)
        with bench.asking:
            state = emulator.state
    emulator.close()
    assert run["state"] == "finished", run["why"]
    assert broken
    assert asked == []
    wanted = {(s["leg"], s["orientation"], s["height_m"]) for s in run["steps"] if s["kind"] == "point"}
    used = [p for p in run["points"] if p["set_aside"] is None]
    assert {(p["leg"], p["orientation"], p["height_m"]) for p in used} == wanted
    assert state["lowest_turn_um"] - RELEASED_UM >= TURNING * 1e6 - 50_000
    # At the far end the pull turns its sign with the sample, and is the same after either saturation.
    far = max(p["height_m"] for p in used)
    value = {p["leg"]: p["value_kg"] for p in used if p["height_m"] == far and p["leg"] in (1, 2, 3, 4)}
    pulls = [(value[turned] - value[before]) / 2 for before, turned in ((1, 2), (3, 4))]
    assert pulls[0] > 0.05e-3
    assert pulls[1] == pytest.approx(pulls[0], rel=0.05)
