"""The twin's lift keeps to the lift protocol page (hardware notes)."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from tests.support.lift.lift_host import Host, sealed
from weighloop.drivers.twin.lift.mechanics import HOME, STEPS_PER_MM, Mechanics


def test_the_page_s_own_examples():
    """Lines and checks as printed on the protocol page, byte for byte."""
    host = Host(home=False)
    host.lift.feed(b"N1 M110 K4711*13647710\n")
    host.answers()
    host.lift.feed(b"N2 M211 Z0*7C30AA18\n")
    assert host.lift.out == [b"ok N2 K4711*E1D73D97\n"]
    host.answers()
    host.lift.last_number = 4
    host.lift.feed(b"N5 G28*FDC425DD\n")
    assert host.lift.out == [b"ok N5 K4711*24700319\n"]
    host.answers()
    for _ in range(6000):
        host.lift.step(0.02)
    assert host.lift.out == [b"dn N5 K4711 R0 Z49.000 S78400 H1 M0 E0*6B1D1EAD\n"]
    host.answers()
    host.lift.feed(b"N6 G1 Z12.34 F120*7FAE0158\n")
    assert host.lift.out == [b"ok N6 K4711 Z12.340*8807AA56\n"]
    host.answers()
    for _ in range(3000):
        host.lift.step(0.02)
    assert host.lift.out == [b"dn N6 K4711 R0 Z12.340 S19744 H1 M0 E0*50F85336\n"]


def test_a_repeat_is_answered_and_not_executed():
    host = Host()
    host.go("G1 Z20 F120")
    line = sealed(f"N{host.n} G1 Z20 F120")
    host.lift.feed(line)
    assert host.answers() == [f"ok N{host.n} K4711 dup Z20.000"]
    assert host.run(1.0) == []


def test_the_next_number_only():
    host = Host()
    host.lift.feed(sealed(f"N{host.n + 2} G1 Z20 F120"))
    assert host.answers() == [f"er N{host.n + 2} K4711 sequence X{host.n + 1}"]
    host.lift.feed(sealed(f"N{host.n} G1 Z20 F120"))  # the last number with other content
    assert "sequence" in host.answers()[0]


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ("G1 Z20", "syntax"),
        ("G1 Z20 F120 Z20", "syntax"),
        ("G1 Z020 F120", "syntax"),
        ("G1 Z-1 F120", "syntax"),
        ("G1 Z1e1 F120", "syntax"),
        ("G1 Z20 F120 X1", "syntax"),
        ("G1  Z20 F120", "syntax"),
        ("G1 Z1.0000 F120", "syntax"),
        ("G4 P1.5", "syntax"),
        ("G20", "unsupported"),
        ("G91", "unsupported"),
        ("M42", "unsupported"),
        ("G1 Z49.501 F120", "range"),
        ("G1 Z20 F241", "range"),
        ("G1 Z20 F1", "range"),
        ("G60 Z20 F120 R1.001", "range"),
        ("M155 S50", "range"),
    ],
)
def test_refused_words(words, reason):
    host = Host()
    before = host.lift.stage.height
    assert host.say(words).split()[:4] == ["er", f"N{host.n}", "K4711", reason]
    host.run(1.0)
    assert host.lift.stage.height == before
    assert host.say("M114").startswith(f"ok N{host.n}")  # the refused number counts as used


@settings(max_examples=examples(150))
@given(st.data())
def test_no_damaged_line_moves_the_lift(data):
    """Up to three wrong bits anywhere: CRC-32 finds them all in so short a line (Hamming distance 5
    or more below 300 bytes, P. Koopman, DSN 2002, from memory); stop is all that may still happen."""
    host = _standing()
    line = bytearray(sealed(f"N{host.n + 1} G1 Z10.5 F120"))
    for place in data.draw(st.lists(st.integers(0, 8 * len(line) - 9), min_size=1, max_size=3, unique=True)):
        line[place // 8] ^= 1 << place % 8
    before, number, state = host.lift.stage.height, host.lift.last_number, host.lift.state
    host.lift.feed(bytes(line) + b"\n")
    host.run(0.5)
    assert host.lift.stage.height == before
    assert host.lift.last_number == number
    host.lift.state, host.lift.homed = state, True


_HOST: list[Host] = []


def _standing() -> Host:
    """One homed lift for many examples: each leaves it where it found it."""
    if not _HOST:
        _HOST.append(Host())
    return _HOST[0]


def test_nothing_moves_without_session_or_homing():
    host = Host(home=False)
    assert host.say("G1 Z20 F120").endswith("unhomed")
    host.lift.reset()
    assert re.fullmatch(r"bt lift1 B\d+ C4", host.answers()[0])
    assert host.say("G28") == f"er N{host.n} K0 nosession"
    assert host.run(1.0) == []


def test_floor_holds_until_a_reset():
    host = Host()
    assert host.say("M211 Z2").startswith("ok")
    assert host.say("G1 Z1.999 F120").endswith("range")
    assert " R0 Z2.000 " in host.go("G1 Z2 F120")


def test_moves_are_monotone_and_take_their_time():
    host = Host()
    done = host.go("G1 Z19 F120")
    assert " Z19.000 S30400 " in done
    assert all(b <= a for a, b in zip(host.heights, host.heights[1:], strict=False))
    moving = sum(a != b for a, b in zip(host.heights, host.heights[1:], strict=False)) * 0.02
    assert 15.0 < moving < 15.5  # 30 mm at 2 mm/s, and two ramps of 0.2 s of which each takes 0.1 s more
    assert host.lift.stage.height == pytest.approx(19e-3, abs=1e-6)


def test_hold_stops_with_the_position_kept_and_stop_voids_it():
    host = Host()
    host.say("G1 Z19 F120")
    host.run(3.0)
    host.lift.feed(b"\xfe")
    held = host.run(2.0)
    assert re.match(r"dn N\d+ K4711 R1 ", held[0])
    assert " H1 M0 " in held[0]
    host.say("G1 Z10 F120")
    host.run(1.0)
    host.lift.feed(b"N7 G1 \x89 garbage")
    assert [line[:2] for line in host.answers()] == ["ha", "dn"]
    at = host.lift.stage.height
    host.run(1.0)
    assert host.lift.stage.height == at
    host.lift.feed(b"\n")
    host.answers()
    assert host.say("G28").endswith("halt")
    assert host.say("M999").startswith("ok")
    assert host.say("G1 Z20 F120").endswith("unhomed")


def test_m112_is_obeyed_without_a_check():
    host = Host()
    host.say("G1 Z19 F120")
    host.lift.feed(b"M112\n")
    assert host.answers()[0].startswith("ha K4711 C1 ")


def test_a_silent_host_stops_the_lift():
    host = Host()
    assert host.say("M113 S1000").startswith("ok")
    host.say("G1 Z1 F120")
    ended = host.run(5.0)
    assert re.match(r"dn N\d+ K4711 R5 ", ended[0])
    assert host.lift.stage.height > 40e-3


@pytest.mark.parametrize("homed", [False, True])
def test_a_silent_host_ends_a_homing_as_any_motion(homed):
    """Protocol page, section 2, M113: ramp down, keep the position, R5; the firmware does the same."""
    host = Host(home=homed)
    host.say("M113 S1000")
    host.say("G28")
    (ended,) = host.run(5.0)
    assert re.match(rf"dn N\d+ K4711 R5 Z\S+ S\d+ H{int(homed)} M0 ", ended)
    assert host.heights[-1] == host.heights[-50]
    assert host.say("M113 S0").startswith("ok")
    assert " R0 " in host.go("G28")


def test_lost_steps_show_at_the_next_homing():
    host = Host()
    host.go("G1 Z20 F120")
    host.lift.stage.turn(-160)  # 0.1 mm nearer than the controller thinks
    assert host.lift.stage.height == pytest.approx(19.9e-3, abs=1e-6)
    assert int(re.search(r" E(-?\d+)$", host.go("G28"))[1]) == pytest.approx(160, abs=5)  # pyright: ignore[reportOptionalSubscript]
    host.go("G1 Z20 F120")
    assert host.lift.stage.height == pytest.approx(20e-3, abs=5e-6)


def test_a_stuck_stage_does_not_follow():
    host = Host()
    host.lift.stage.stuck = True
    assert " Z20.000 " in host.go("G1 Z20 F120")
    assert host.lift.stage.height == pytest.approx(49e-3, abs=5e-6)


def test_a_dead_switch_ends_homing_and_a_pressed_one_as_well():
    host = Host(home=False)
    host.lift.stage.switch_forced = False
    assert " R3 " in host.go("G28")
    host.lift.stage.switch_forced = True
    assert " R3 " in host.go("G28")


def test_the_switch_met_while_opening_halts():
    host = Host()
    host.lift.stage.turn(2 * STEPS_PER_MM)
    host.say("G1 Z49.5 F120")
    assert any(line.startswith("ha K4711 C3 ") for line in host.run(10.0))


def test_one_sided_approach_takes_up_the_play_and_never_comes_nearer():
    host = Host(Mechanics(backlash=0.04))
    host.go("G1 Z10 F120")
    host.go("G1 Z15 F120")
    assert host.lift.stage.height == pytest.approx(14.96e-3, abs=2e-6)  # opening, the stage lags by the play
    host.go("G60 Z20 F120 R0.05")
    assert host.lift.stage.height == pytest.approx(20e-3, abs=2e-6)
    assert min(host.heights) >= 14.96e-3 - 1e-6
    host.go("G60 Z12 F120 R0.05")
    assert host.lift.stage.height == pytest.approx(12e-3, abs=2e-6)
    assert min(host.heights) >= 12e-3 - 2e-6


def test_telemetry_says_the_temperature():
    host = Host()
    host.lift.temperature = 295.0
    host.say("M155 S500")
    lines = host.run(2.1)
    assert len(lines) == 4
    a = int(re.search(r" A(\d+) ", lines[0])[1]) / 65536  # pyright: ignore[reportOptionalSubscript]
    # The page's conversion of a 10 kohm thermistor.
    assert 1 / (1 / 298.15 + np.log(a / (1 - a)) / 3950) == pytest.approx(295.0, abs=0.02)


def test_home_is_the_release_edge():
    host = Host(Mechanics(start=5.0))
    assert host.lift.stage.height == pytest.approx(49e-3, abs=5e-6)
    assert HOME == 50 * STEPS_PER_MM


def test_m400_answers_when_the_lift_stands():
    host = Host()
    host.say("G1 Z45 F120")
    assert host.say("M400").startswith("ok")
    ended = host.run(10.0)
    assert [line.split()[1] for line in ended] == [f"N{host.n - 1}", f"N{host.n}"]
