"""The turner: who has one, turns, heights, lines. The rod is counted by the emulator, on the pins."""

from __future__ import annotations

import pytest

from tests.support.lift.lift_emulator import REST_IN_SLOT, TURNING, Rig, wait_for
from tests.support.lift.lift_host import Host
from weighloop.drivers.device import DeviceRefused
from weighloop.drivers.lift.frames import Reply, parse_reply, seal
from weighloop.drivers.lift.lift import PositionVoid
from weighloop.drivers.twin.lift.turner import TurnerMechanics

pytestmark = pytest.mark.firmware


# ---- who has one ----


def test_the_controller_names_its_axes(upright: Rig) -> None:
    reply = upright.say("M115")[1]
    assert reply.flags == ("lift1", "ZA")
    assert reply.words["Z"] == 49.5
    assert upright.lift.axes == "ZA"


def test_a_spike_on_the_plug_s_link_is_no_turner(homed: Rig) -> None:
    homed.emulator("speed 1")
    for _ in range(5):
        homed.emulator("turner 1 8")
        homed.emulator("turner 0 8")
    assert homed.say("M115")[1].flags == ("lift1",)


def test_without_a_turner_its_words_are_unsupported(homed: Rig) -> None:
    for line in ("G0 A180", "G0 A0", "M212 Z46"):
        with pytest.raises(DeviceRefused, match="unsupported"):
            homed.say(line)
    assert "A" not in homed.status().words
    assert homed.say("M115")[1].flags == ("lift1",)
    assert homed.lift.axes == "Z"
    lift = homed.another(turning_height=TURNING)
    with pytest.raises(DeviceRefused, match="names no axis A"):
        lift.establish()


# ---- turns ----


@pytest.mark.parametrize("rod", [0, 128, 1599, 1700, 2944, 2980])
def test_the_angle_is_found_from_anywhere(plugged: Rig, rod: int) -> None:
    plugged.emulator(f"turner 1 {rod}")
    plugged.home()
    assert plugged.lift.orientation == 1
    assert plugged.emulator.off_by(0) == 0
    assert plugged.emulator.state["rod"] - rod <= 390 / 360 * 3200 + REST_IN_SLOT
    plugged.check_interlocks()


def test_over_and_back(upright: Rig) -> None:
    for orientation in (-1, 1, -1, -1, 1):
        position = upright.lift.turn(orientation)
        assert position.orientation == upright.lift.orientation == orientation
        assert position.known
        assert upright.emulator.off_by(0 if orientation > 0 else 180) == 0
        assert upright.status().words["Q"] == 0
        upright.check(height=49e-3)
    upright.lift.approach(20e-3)  # at an end Z closes as ever
    upright.check(height=20e-3)
    upright.lift.retreat()
    upright.home()
    assert upright.emulator.off_by(0) == 0  # homing leaves an angle that is known
    upright.check_interlocks()


def test_a_turned_sample_stays_turned_over_a_homing(upright: Rig) -> None:
    upright.lift.turn(-1)
    edges = upright.emulator.state["turn_edges"]
    upright.home()
    assert upright.lift.orientation == -1
    assert upright.emulator.state["turn_edges"] == edges


def test_play_in_the_coupling_does_not_show(upright: Rig) -> None:
    upright.emulator("turner-play 20")
    for orientation in (-1, 1, -1):
        upright.lift.turn(orientation)
        assert upright.emulator.off_by(0 if orientation > 0 else 180) == 0


def test_it_turns_only_above_its_height(upright: Rig) -> None:
    upright.lift.approach(45e-3)
    upright.lift.turn(-1)
    upright.check(height=45e-3)
    upright.lift.approach(44.999e-3)
    edges = upright.emulator.state["turn_edges"]
    with pytest.raises(DeviceRefused, match="only at and above 45 mm"):
        upright.lift.turn(1)
    # Nor where steps that were lost could have left it below: only homing shows that it is up again.
    upright.lift.retreat()
    with pytest.raises(DeviceRefused, match="establish"):
        upright.lift.turn(1)
    upright.home()
    upright.lift.approach(46e-3)
    upright.say("M212 Z46.001")
    with pytest.raises(DeviceRefused, match="interlock"):
        upright.say("G0 A0")
    for line in ("M212 Z44.999", "M212 Z49.001", "M212 Z0"):  # never below what is built in
        with pytest.raises(DeviceRefused, match="range"):
            upright.say(line)
    assert upright.emulator.state["turn_edges"] == edges
    upright.say("M212 Z46")
    upright.lift.turn(1)
    upright.check_interlocks()


def test_a_stage_that_hangs_on_its_way_up_turns_nothing(upright: Rig) -> None:
    """Every step of the way up is lost: the count says 49 mm, the sample hangs at 10."""
    upright.lift.approach(10e-3)
    upright.emulator("lose 62400")
    upright.lift.retreat()
    assert upright.status().words["Z"] == 49
    with pytest.raises(DeviceRefused, match="establish"):
        upright.lift.turn(-1)
    assert upright.emulator.state["motor_um"] < 10_100
    upright.home()
    assert upright.lift.lost_steps == 62400
    upright.lift.turn(-1)
    upright.check_interlocks()


def test_grammar(upright: Rig) -> None:
    edges = upright.emulator.state["turn_edges"]
    for line in ("G0 A90", "G0 A360", "G0 A180.001"):
        with pytest.raises(DeviceRefused, match="range"):
            upright.say(line)
    for line in ("G0 A-180", "G0 A180.0001", "G0", "G0 A", "G0 Z10 A180", "G1 A180 F60", "G60 A0", "M212"):
        with pytest.raises(DeviceRefused, match="syntax"):
            upright.say(line)
    assert upright.emulator.state["turn_edges"] == edges
    upright.check()


def test_one_motion_at_a_time(upright: Rig) -> None:
    moving = upright.begin_turn()
    for line in ("G0 Z40", "G0 Z49.2", "G28", "G0 A0", "M18"):
        with pytest.raises(DeviceRefused, match="busy"):
            upright.say(line)
    assert moving.end() is None
    assert upright.lift.orientation == -1


# ---- lines ----


def test_stale_doubled_and_forged_lines_turn_nothing(upright: Rig) -> None:
    upright.lift.turn(-1)
    last, edges = upright.lift._link._number, upright.emulator.state["turn_edges"]
    lines = [seal(f"N{last - 1} G0 A0"), seal(f"N{last + 2} G0 A0"), seal("G0 A0"), b"G0 A0\n"]
    lines += [b"N%d G0 A0*00000000\n" % (last + 1), seal(f"N{last + 1} G0 A0").lower()]
    lines += [seal(f"N{last} G0 A180") * 5, seal(f"N{last + 1} G0 A0")[:-2] + b"\n"]
    for line in lines:
        upright.raw(line)
        wait_for(upright.quiet)
    assert upright.emulator.state["turn_edges"] == edges
    assert upright.status().words["A"] == 180


def test_damaged_and_lost_lines(upright: Rig) -> None:
    upright.say("M155 S0")  # so that the damage does not fall on telemetry
    orientation = 1
    for fault in ("flip 9 0", "lose-byte 7 0", "frame-error 6", "flip 0 3", "lose-byte 0 5"):
        resent = upright.lift._link.resent
        orientation = -orientation
        upright.emulator(fault)
        assert upright.lift.turn(orientation).orientation == orientation
        assert upright.lift._link.resent > resent, fault
        upright.check()


def test_the_bench_twin_answers_alike(upright: Rig) -> None:
    """Line by line the same words, but for what is each one's own (numbers, session, resets, lost steps)."""
    twin = Host(turner=TurnerMechanics())
    link = upright.lift._link
    upright.say("M155 S0")

    def firmware(line: str) -> Reply | str:
        try:
            number, reply = upright.say(line)
        except (DeviceRefused, PositionVoid) as error:
            return str(error).rpartition(": ")[2]
        return link.wait(number, 60, link.epoch) if line.startswith("G") else reply

    def twins(line: str) -> Reply | str:
        answer = twin.say(line)
        if answer.startswith("er"):
            return answer.split()[-1]
        if line.startswith("G"):
            answer = next(text for text in twin.run(90) if text.startswith("dn"))
        reply = parse_reply(seal(answer)[:-1])
        assert reply is not None
        return reply

    for line in (
        *("M115", "M114", "G0 A180", "M114", "G0 A180", "G0 A0", "G0 A90", "G0 A0.5", "G0 A", "M212 Z10"),
        *("M212 Z46", "G0 Z46", "G0 A180", "G1 Z45.99 F120", "G0 A0", "G0 Z49", "G0 A0", "G28", "G0 A0"),
        *("M114", "G60 Z48 F120 R0.1", "M18", "G0 A0", "M114", "G28", "G0 A180"),
    ):
        answers = [
            {letter: answer.words.get(letter) for letter in "ZSHMRAQ"} | {"flags": answer.flags}
            if isinstance(answer, Reply)
            else answer
            for answer in (firmware(line), twins(line))
        ]
        assert answers[0] == answers[1], line
