"""Every stored capture through the real driver on a pseudo-terminal, with its timing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.serial.captures import CAPTURES
from tests.support.serial.replay import Replay
from tests.support.serial.serial_peers import Ears, wait_for
from weighloop.drivers.balance.balance import GOOD_LINES, SerialBalance
from weighloop.drivers.balance.capture import UNKNOWN, load
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.clock import RealClock

KNOWN = [path for path in CAPTURES if load(path).header.dialect != UNKNOWN]


@pytest.mark.parametrize("path", KNOWN, ids=lambda path: path.stem)
def test_the_driver_hears_it_with_its_timing(path: Path, ears: Ears) -> None:
    capture, speed = load(path), 12.0
    with Replay(capture, speed) as far:
        balance = SerialBalance(far.port, load_dialect(capture.header.dialect), ears, RealClock(speed))
        balance.start()
        wait_for(lambda: str(balance.state) == "identifying")
        far.play()
        wait_for(far.finished.is_set, what="the end of the replay")
        expected = [said for said in capture.header.expected if said != "refused"]
        wait_for(lambda: balance.lines == len(expected))
        balance.close()
    told = []
    for reading in ears.readings:
        value = "none" if reading.value is None else f"{reading.value:.9g} kg"
        told.append(f"{value} {reading.mark}" if reading.mark else value)
    assert told == expected[GOOD_LINES - 1 :]
    assert balance.refused == capture.header.expected.count("refused")
    times = [reading.time for reading in ears.readings]
    took = capture.chunks[-1][0] - capture.chunks[2 * GOOD_LINES][0]
    assert times == sorted(times)
    assert times[-1] - times[0] == pytest.approx(took, rel=0.5)
