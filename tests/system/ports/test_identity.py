"""Which balance is it? Asked after each opening of the port, of dialects that have a word for it."""

from __future__ import annotations

import pytest

from tests.support.serial.serial_peers import Ears, FarEnd
from weighloop.drivers.balance.balance import SerialBalance
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceState


@pytest.mark.parametrize(
    ("said", "serial"),
    [(b'I4 A "B1234567"\r\n', "B1234567"), (b"I4 I\r\n", None), (b"ES\r\n", None), (b"\xff?\r\n", None)],
)
def test_the_serial_number_is_asked_for_after_each_opening(
    far_end: FarEnd, ears: Ears, said: bytes, serial: str | None
) -> None:
    balance = SerialBalance(far_end.port, load_dialect("ask-answer"), ears, RealClock(rate=5))
    balance.start()
    asked = 0
    while asked < 2 and not (asked and serial):
        heard = far_end.heard(3.0, until=b"\r\n")
        assert heard, "nothing is asked any more"
        asked += heard.count(b"I4")
        far_end.send(said if b"I4" in heard else b"S S     12.345 g\r\n")
    far_end.heard(3.0, until=b"SI\r\n")
    assert balance.serial == serial
    assert balance.state is DeviceState.READY
    balance.close()
