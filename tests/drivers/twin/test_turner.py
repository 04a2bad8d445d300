"""The twin's turner keeps to the lift protocol page and to what a turner does to the sample."""

from __future__ import annotations

import random
import re

import pytest

from tests.support.lift.lift_host import Host
from weighloop.drivers.twin.bench import TwinBench
from weighloop.drivers.twin.lift.mechanics import Mechanics
from weighloop.drivers.twin.lift.turner import PAST_EDGE, TURN, TurnerMechanics


@pytest.fixture
def host() -> Host:
    made = Host(turner=TurnerMechanics())
    made.lift.turner.rod = 700
    assert " A0.000 Q0" in made.go("G28")
    return made


def off_by(host: Host, angle: float) -> int:
    """Steps between the rod and an angle (degrees)."""
    away = host.lift.turner.rod - PAST_EDGE - round(angle / 360 * TURN)
    return (away + TURN // 2) % TURN - TURN // 2


def told_right(host: Host) -> bool:
    """The reported angle is the rod's, to the 0.9 degrees it rests inside its slot; or it is "A?"."""
    told = re.search(r" A([0-9.]+) Q", host.say("M114"))
    return told is None or abs(off_by(host, float(told[1]))) <= PAST_EDGE


def test_only_a_lift_that_has_one_names_the_axis(host: Host) -> None:
    assert " ZA Z49.500" in host.say("M115")
    plain = Host()
    assert " ZA" not in plain.say("M115")
    assert plain.say("G0 A180").endswith("unsupported")
    assert plain.say("M212 Z46").endswith("unsupported")
    assert " A" not in plain.say("M114")


def test_over_and_back(host: Host) -> None:
    for angle in (180, 0, 180, 180, 0):
        ended = host.go(f"G0 A{angle}", 7)
        assert re.search(rf" R0 Z49.000 S78400 H1 M0 E-?\d+( kept)? A{angle}.000 Q0$", ended)
        assert off_by(host, angle) == 0
    assert host.lift.turner.rod > 2 * TURN  # always the same way round


def test_interlocks(host: Host) -> None:
    host.go("G0 Z44.99")
    assert host.say("G0 A180").endswith("interlock")
    host.go("G0 Z49")
    assert host.say("G0 A180").endswith("interlock")  # steps may have been lost on the way up
    host.go("G28")
    for value, answer in (("44.999", "range"), ("49.001", "range"), ("49", "")):
        assert host.say(f"M212 Z{value}").endswith(answer)
    assert host.say("G0 A90").endswith("range")
    host.say("G0 A180")
    host.run(2)
    host.lift.feed(b"\xfe")
    assert any(" R1 " in line and " A?" in line for line in host.run(0.1))
    assert host.say("G0 Z40").endswith("unhomed")
    assert " R0 " in host.go("G0 Z49.4")  # opening is always right


def test_after_a_reset_in_mid_turn_first_up_then_the_angle(host: Host) -> None:
    host.go("G0 Z46")
    host.say("G0 A180")
    host.run(2)
    rod = host.lift.turner.rod
    host.lift.reset()
    host.n = 0
    host.say("M110 K4711")
    assert host.say("G0 A180").endswith("unhomed")
    host.say("G28")
    highest = 0.0
    while host.lift.turner.rod == rod:
        host.run(0.02)
        highest = max(highest, host.lift.stage.height)
    assert highest > 49.9e-3
    assert any(" R0 " in line and " A0.000" in line for line in host.run(20))


@pytest.mark.parametrize(("lost", "answer"), [(7, " R0 "), (64, " R0 "), (65, " R4 "), (1600, " R4 ")])
@pytest.mark.parametrize("angle", [180, 0])
def test_lost_steps_are_made_good_or_told(host: Host, angle: int, lost: int, answer: str) -> None:
    if angle == 0:
        host.go("G0 A180", 7)
    host.lift.turner.losing = lost
    ended = host.go(f"G0 A{angle}", 12)
    assert answer in ended
    assert (f" Q{lost}" in ended) == (answer == " R0 ")
    assert told_right(host)


@pytest.mark.parametrize("light", [False, True])
def test_a_stuck_switch_and_a_jam(host: Host, light: bool) -> None:
    host.say("G0 A180")
    host.run(1)
    host.lift.turner.light_forced = light
    assert any(" R4 " in line for line in host.run(8))
    assert " R4 " in host.go("G28")
    host.lift.turner.light_forced = None
    host.lift.turner.stuck = True
    assert " R4 " in host.go("G28")
    host.lift.turner.stuck = False
    assert " R0 " in host.go("G28")


def test_whatever_happens_the_told_angle_is_the_rod_s(host: Host) -> None:
    chance = random.Random(4)
    for _ in range(60):
        host.say(f"G0 A{chance.choice((0, 180))}")
        host.run(chance.uniform(0, 6))
        breaking = chance.randrange(5)
        if breaking == 0:
            host.lift.turner.losing = chance.choice((3, 30, 60, 100, 256, 900))
        elif breaking == 1:
            host.run(6)
            host.lift.turner.rod += chance.choice((-300, 40, 1300))  # by hand, at rest
        elif breaking == 2:
            host.lift.feed(b"\x89")
            host.run(0.1)
            host.say("M999")
        host.run(8)
        assert told_right(host)
        if " A?" in host.say("M114"):
            assert " R0 " in host.go("G28")


def test_what_it_does_to_the_sample() -> None:
    """The eccentricity moves the gap one way at 0 degrees, the other way at 180; the field's sense turns."""
    bench = TwinBench(3, turner=True, calm=True)
    eccentricity = bench.scenario.turner.eccentricity
    assert 0 < abs(eccentricity) < 0.15e-3
    lift = bench.lift
    lift.turner.known, lift.homed, lift.count = True, True, lift.stage.motor
    gaps, pulls = [bench.gap], []
    for task in ("over", "back"):
        bench.advance(1)
        pulls.append(bench.state()["pull_kg"])
        lift.turner.begin(task)
        lift.closed = 0.0
        bench.advance(7)
        gaps.append(bench.gap)
        assert bench.orientation == (-1 if task == "over" else 1)
        assert bench.aspect == bench.orientation
    play = bench.scenario.turner.play
    assert gaps[0] - gaps[1] == pytest.approx(2 * eccentricity, abs=4 * play)
    assert gaps[2] == pytest.approx(gaps[0], abs=4 * play)


def test_seldom_a_step_is_lost() -> None:
    host = Host(turner=TurnerMechanics(slips=0.3), seed=2)
    ended = [host.go(f"G0 A{angle}", 7) for angle in (180, 0) * 10]
    assert 1 <= sum(" Q64" in line for line in ended) <= 12
    assert all(" R0 " in line for line in ended)


def test_the_height_that_is_left_by_homing_is_high_enough() -> None:
    """However the switch's edge scatters: the rest after homing is a height to turn at."""
    for seed in range(6):
        host = Host(Mechanics(homing_scatter=0.004), turner=TurnerMechanics(), seed=seed)
        assert host.say("M212 Z49").startswith("ok")
        assert " R0 " in host.go("G0 A180", 7)
