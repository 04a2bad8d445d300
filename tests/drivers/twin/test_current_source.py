"""The twin's lift speaks the words of the current source as the lift protocol page has them."""

from __future__ import annotations

import re

import pytest

from tests.support.lift.lift_host import Host, sealed
from weighloop.drivers.twin.lift.current_source import SourceCircuit


class Resistor:
    resistance = 9.05


@pytest.fixture
def host() -> Host:
    made = Host(source=SourceCircuit(gain=1.001))
    made.lift.source.load = Resistor()
    made.say("M113 S3000")
    made.say("M213 I55 R47")
    return made


def means(host: Host) -> tuple[float, float]:
    """mA and mV of one telemetry line."""
    host.say("M105")
    host.run(1)
    host.lift.feed(sealed(f"N{host.n + 1} M105"))
    host.n += 1
    told = re.search(r" I(-?[0-9.]+) U(-?[0-9.]+)$", host.answers()[1])
    assert told
    return float(told[1]), float(told[2])


def talk(host: Host, seconds: float) -> list[str]:
    """Time passes while the host keeps asking."""
    lines = []
    for _ in range(round(seconds)):
        host.say("M114")
        lines += host.run(1)
    return lines


def test_only_a_lift_that_has_one_names_it(host: Host) -> None:
    assert host.say("M115").endswith(" source Z49.500 F240.000")
    plain = Host()
    assert " source" not in plain.say("M115")
    for words in ("M3 S10", "M4 S10", "M5", "M213 I1 R47"):
        assert plain.say(words).endswith("unsupported")
    assert " J" not in plain.say("M114")


def test_both_ways_and_what_flows(host: Host) -> None:
    true = 5.0 / (47.9 + 47 + 9.05) * 1e3
    for words, way in (("M3 S100", 1), ("M4 S100", -1), ("M3 S100", 1)):
        assert host.say(words).endswith(f" J{way} Y0")
        mA, mV = means(host)
        # The converter bends by a third of a count of 4.88 mV, over 47 ohm.
        assert mA == pytest.approx(way * true / 1.001, abs=0.15)
        assert mV / mA == pytest.approx(9.05, rel=0.02)
    assert host.say("M5").endswith(" J0 Y0")
    assert abs(means(host)[0]) < 0.15


def test_no_mean_before_there_is_one(host: Host) -> None:
    host.say("M3 S100")
    host.n += 1
    host.lift.feed(sealed(f"N{host.n} M105"))
    assert host.answers()[1].endswith(" J1 Y0 I?")


@pytest.mark.parametrize("value", ["I60.001 R47", "I50 R0.999", "I50 R1000.001", "I50 R91", "I70 R10"])
def test_limits_out_of_range(host: Host, value: str) -> None:
    assert host.say(f"M213 {value}").endswith("range")


def test_interlocks(host: Host) -> None:
    assert host.say("M3 S0").endswith("range")
    assert host.say("M3 S301").endswith("range")
    assert host.say("M3").endswith("syntax")
    assert host.say("M3 S3").endswith(" J1 Y0")
    assert host.say("M213 I50 R47").startswith("ok")  # takes effect at once
    assert any(line.endswith(" J0 Y1") and line.startswith("cu ") for line in talk(host, 4))
    host.say("M3 S100")
    assert not any(line.startswith("cu") for line in talk(host, 20))
    assert any(line.endswith(" J0 Y3") for line in host.run(5))  # nobody talks
    host.say("M4 S100")
    host.say("G1 Z45 F120")
    assert host.run(0.1)[0].endswith(" J0 Y5")
    assert host.say("M3 S100").endswith("busy")
    talk(host, 10)
    host.say("M3 S100")
    host.lift.feed(b"\x89")
    assert any(line.endswith(" J0 Y4") for line in host.run(0.1))
    assert host.say("M3 S100").endswith("halt")
    host.say("M999")
    host.say("M3 S100")
    host.lift.source.plugged = False
    assert host.run(0.1)[0].endswith(" J0 Y6")
    assert host.say("M3 S100").endswith("interlock")
    assert host.lift.source.current == 0.0


def test_too_large_a_current(host: Host) -> None:
    host.say("M213 I40 R47")
    assert host.say("M3 S100").endswith(" J1 Y0")
    assert host.run(0.1)[0].endswith(" J0 Y2")


def test_a_reset_and_a_new_session_end_it(host: Host) -> None:
    host.say("M3 S100")
    host.say("M110 K99")
    assert host.run(0.1)[0].endswith(" J0 Y3")  # a session begins without a watch
    assert host.say("M3 S100").endswith("interlock")
    host.say("M113 S3000")
    assert host.say("M3 S100").endswith(" J1 Y0")
    host.lift.reset()
    assert host.lift.source.current == 0.0
    host.n = 0
    host.say("M110 K4711")
    host.say("M113 S3000")
    assert host.say("M3 S100").endswith("interlock")  # limit and shunt are forgotten


def test_damaged_lost_doubled_and_stale_lines_switch_nothing(host: Host) -> None:
    good = sealed(f"N{host.n + 1} M3 S100")
    for line in (good[:-4] + b"000\n", good[:5] + good[6:], b"M3 S100\n", sealed(f"N{host.n} M3 S100")):
        host.lift.feed(line)
        host.run(0.1)
        assert host.lift.source.current == 0.0
    host.lift.feed(good + good)
    host.n += 1
    assert [" dup" in line for line in host.answers()] == [False, True]
    host.say("M5")
    host.lift.feed(good)  # from before
    host.run(0.1)
    assert host.lift.source.current == 0.0
