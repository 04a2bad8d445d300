"""Many moves and turns of the emulated lift with everything going wrong that can: is it told truly?

What the emulator counts on the pins is the truth. A *wrong belief* is a place or an angle that was told as
known and is not the true one; steps lost on Z make one only where the next homing does not tell them
exactly (nothing but the far-end switch sees the stage).
"""

from __future__ import annotations

import random
import time
from collections import Counter

from tests.support.lift.lift_emulator import RELEASED_UM, REST_IN_SLOT, TURNING, Moving, Rig, wait_for
from weighloop.drivers.device import DeviceError, DeviceState
from weighloop.drivers.lift.frames import HOLD, STOP, Reply

#: What may go wrong while something moves: name, the emulator's command or the byte sent.
FAULTS = {
    "reset": ("brown-out 5", "reset-pin 20", "hang"),
    "halt": (STOP, b"\nM112\n", "button 1"),
    "hold": (HOLD,),
    "damage": ("flip 6 0", "flip 0 4", "lose-byte 8 0", "lose-byte 0 3", "frame-error 5"),
    "lost Z": ("lose 4", "lose 64", "lose 900"),
    "lost A": ("turner-lose 3", "turner-lose 64", "turner-lose 128", "turner-lose 1600"),
    "stuck lamp": ("lamp 0", "lamp 1"),
    "jam": ("turner-jam 1",),
    "twist": ("twist 400",),
    "far switch": ("switch 1",),
}
HEAL = ("button 0", "switch -1", "lamp -1", "turner-jam 0", "turner-lose 0", "lose 0")


def campaign(rig: Rig, *, moves: int, turns: int, resets: int, seed: int) -> Counter[str]:
    """Run it. ``moves`` are those of Z, with this many ``turns`` among them and this many ``resets``.

    Counts what was done and met (moves, turns, each kind of fault, homings, refused), and ``wrong``.
    """
    chance, tally = random.Random(seed), Counter[str]()
    acts = ["turn"] * turns + ["move"] * moves
    chance.shuffle(acts)
    faulty = set(chance.sample(range(len(acts)), len(acts) // 3))
    resetting = set(chance.sample(sorted(faulty), resets))
    others = [kind for kind in FAULTS if kind != "reset"]
    _home(rig, tally)
    z_lost = False
    for number, act in enumerate(acts):
        tally[f"{act}s"] += 1
        if act == "turn":
            _home(rig, tally)
            z_lost = False
            way = -(rig.lift.orientation or 1)
            moving = Moving(lambda to=way: rig.lift.turn(to))
        else:
            height = round(chance.choice((chance.uniform(40, 49), chance.uniform(1, 49))), 3) * 1e-3
            moving = Moving(lambda to=height: rig.lift.approach(to))
        if number in faulty:
            kind = "reset" if number in resetting else chance.choice(others)
            tally[kind] += 1
            z_lost |= kind == "lost Z"
            _break(rig, chance, chance.choice(FAULTS[kind]))
        error = moving.end()
        for command in HEAL:
            rig.emulator(command)
        if error is not None:
            tally["refused"] += 1
        if number in faulty:
            _settle(rig)
        apart = _apart(rig)
        _count(tally, _angle_wrong(rig), f"angle after {act} {number}")
        _count(
            tally, _status(rig).homed and apart != 0 and not z_lost, f"place after {act} {number}: {apart}"
        )
        if not rig.lift._link.known:
            _home(rig, tally)
            z_lost = False
    _home(rig, tally)
    state = rig.emulator.state
    tally["low turns"] += state["lowest_turn_um"] - RELEASED_UM < TURNING * 1e6 - 50_000
    tally["closed between"] += state["nearest_between_um"] < 48_900
    tally["wrong"] += 0
    return tally


def _break(rig: Rig, chance: random.Random, fault: str | bytes) -> None:
    """At some moment of the act under way."""
    until = rig.emulator.state["seconds"] + chance.uniform(0, 3)
    wait_for(lambda: rig.emulator.state["seconds"] > until)
    if isinstance(fault, bytes):
        rig.raw(fault)
        return
    session = rig.lift._link._nonce
    rig.emulator(fault)
    if fault in FAULTS["reset"]:  # the watchdog takes half a second
        wait_for(lambda: rig.lift._link._nonce not in (0, session), what="a new session")


def _settle(rig: Rig) -> None:
    """Until the lift answers again and nothing moves."""
    wait_for(lambda: bool(rig.lift._link._nonce) and rig.lift.state is not DeviceState.SILENT)
    wait_for(lambda: rig.standing_still() and rig._unchanged("turn_edges", 0.02))


def _count(tally: Counter[str], wrong: bool, what: str) -> None:
    if wrong:
        tally["wrong"] += 1
        tally[f"wrong: {what}"] += 1


def _status(rig: Rig) -> Reply:
    """What the lift says of itself, whatever breaks while it is asked."""
    for _ in range(20):
        try:
            return rig.status()
        except DeviceError:
            _settle(rig)
    raise AssertionError(f"the lift does not answer: {rig.lift.why}")


def _apart(rig: Rig) -> int:
    """By how many steps the count of Z is not the stage's place, both standing still."""
    for _ in range(200):
        before, status = rig.emulator.state["edges"], _status(rig)
        steps = rig.emulator.steps
        if not status.moving and rig.emulator.state["edges"] == before:
            return round(status.words["S"] - steps)
        time.sleep(0.02)
    raise AssertionError("the stage does not come to rest")


def _angle_wrong(rig: Rig) -> bool:
    """Whether the angle that is told is not the rod's, which stands still meanwhile."""
    for _ in range(200):
        before, status = rig.emulator.state["turn_edges"], _status(rig)
        wrong = "A" in status.words and abs(rig.emulator.off_by(status.words["A"])) > REST_IN_SLOT
        if not status.moving and rig.emulator.state["turn_edges"] == before:
            return wrong
        time.sleep(0.02)
    raise AssertionError(f"the rod does not come to rest: {rig.lift.why}")


def _home(rig: Rig, tally: Counter[str]) -> None:
    """Home, as often as it takes; what the homing tells of lost steps must be what was lost."""
    apart = _apart(rig)
    for _ in range(5):
        try:
            rig.say("M113 S60000")  # a busy test machine is no silent host
            rig.lift.establish()
            break
        except DeviceError:
            _settle(rig)
    else:
        raise AssertionError(f"the lift could not be homed: {rig.lift.why}")
    tally["homings"] += 1
    told = rig.lift.lost_steps
    _count(tally, told not in (None, apart), f"{apart} steps lost, {told} told")
    _count(tally, not _status(rig).homed or _apart(rig) != 0 or _angle_wrong(rig), "homed elsewhere")
