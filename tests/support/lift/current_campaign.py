"""The emulated current source with everything going wrong: is what is told what flows, and never too long?"""

from __future__ import annotations

import contextlib
import random
from typing import Any

from tests.support.lift.lift_emulator import Rig, wait_for
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceError
from weighloop.drivers.serial.port import Deadline

COIL = 9.05  # ohm
LONGEST = 40  # s, of any current here
FAULTS = (
    "lost-bytes 0.003 0.003", "bit-errors 0.0005 0.0005", "button 1", "reference 1000", "coil -1",
    "brown-out 5", "reset-pin 50", "hang", "stop", "home", f"source 0 {COIL}", "", "", "",
)  # fmt: skip
HEALED = ("lost-bytes 0 0", "bit-errors 0 0", "button 0", "reference 2500", f"source 1 {COIL}")


def everything_goes_wrong(rig: Rig, times: int, seed: int) -> dict[str, Any]:
    """Switch a current ``times`` times or more with a fault in between; the emulator's state at the end.

    After each the lift's word is held against the circuit, which tells itself what flows.
    """
    chance, source = random.Random(seed), rig.lift.current_source
    assert source is not None
    rig.emulator(f"seed {seed}")
    for _ in range(times):
        fault = chance.choice(FAULTS)
        with contextlib.suppress(DeviceError):
            source.set_current(chance.choice((1, -1)), chance.randint(2, LONGEST))
            if fault in ("stop", "home"):
                rig.lift.stop() if fault == "stop" else rig.say("G28")
            elif fault:
                rig.emulator(fault)
            source.set_current(chance.choice((1, -1, 0)), chance.randint(2, LONGEST))
        for healed in HEALED:
            rig.emulator(healed)
        _settle(rig)
        wait_for(lambda: _agreed(rig))
        with contextlib.suppress(DeviceError):
            source.set_current(0)
            assert rig.emulator.state["way"] == 0
    state = rig.emulator.state
    assert state["both"] == 0  # sides of the bridge
    assert state["longest_s"] < 2 * LONGEST + 1  # given twice at the most
    assert state["largest_mA"] < 60
    return state


def _agreed(rig: Rig) -> bool:
    """Lift and circuit say the same of the current, which did not change meanwhile."""
    before, told, after = rig.emulator.state, rig.status().words["J"], rig.emulator.state
    if (before["way"], before["switched"]) != (after["way"], after["switched"]):
        return False
    assert told == after["way"]
    return True


def _settle(rig: Rig) -> None:
    """A session, nothing halted, at rest: what the lift says is of now."""
    link = rig.lift._link

    def rested() -> bool:
        with contextlib.suppress(DeviceError):
            link.wait_for_session(Deadline(RealClock(), 20))
            rig.say("M113 S60000")
            rig.say("M999")
            return not rig.status().moving
        return False

    wait_for(rested, seconds=40)
