"""Framing and words of the lift protocol."""

from __future__ import annotations

import re
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support import ROOT
from weighloop.drivers.lift import frames as words

PAGE = ROOT / "hardware_notes" / "lift_protocol.md"


def test_the_check_is_the_standard_one() -> None:
    """CRC-32 of "123456789" is CBF43926: the check value of IEEE 802.3 / ITU-T V.42 (catalogues of CRCs)."""
    assert words.seal("123456789") == b"123456789*CBF43926\n"


def examples() -> list[tuple[str, str]]:
    text = PAGE.read_text(encoding="utf-8")
    return re.findall(r"^    ([<>]) ([^\s].*?\*[0-9A-F]{8})", text, re.MULTILINE)


def test_every_example_of_the_protocol_page_holds() -> None:
    assert len(examples()) >= 12
    for direction, line in examples():
        assert words.unseal(line.encode()) is not None, line
        if direction == "<":
            assert words.parse_reply(line.encode()) is not None, line


def test_host_lines_of_the_page_are_what_is_sent() -> None:
    for direction, line in examples():
        if direction == ">":
            number, text = re.fullmatch(r"N(\d+) (.*)\*.{8}", line).groups()  # type: ignore[union-attr]
            assert words.frame(int(number), text) == line.encode() + b"\n"


def test_a_reply_taken_apart() -> None:
    reply = words.parse_reply(words.seal("ok N7 K4711 dup Z12.340 S19744 H1 M0 D6 R0 E-3 L58656 W0")[:-1])
    assert reply is not None
    assert (reply.tag, reply.number, reply.nonce, reply.flags) == ("ok", 7, 4711, ("dup",))
    assert reply.height == pytest.approx(0.01234, rel=1e-12)
    assert reply.homed
    assert not reply.moving
    assert reply.words["E"] == -3


@given(st.binary(max_size=80))
def test_noise_is_no_reply(data: bytes) -> None:
    reply = words.parse_reply(data)
    if reply is not None:  # then it carries its check
        body, _, check = data.rpartition(b"*")
        assert int(check, 16) == zlib.crc32(body)


@given(st.integers(0, 2**31), st.integers(0, 40), st.integers(0, 7))
def test_one_flipped_bit_is_always_seen(salt: int, place: int, bit: int) -> None:
    line = bytearray(words.seal(f"dn N{salt % 65535 + 1} K4711 R0 Z12.340 S19744 H1 M0 E0")[:-1])
    line[place] ^= 1 << bit
    assert words.parse_reply(bytes(line)) is None


@given(st.floats(0, 49.5))
def test_decimals_are_plain(value: float) -> None:
    text = words.decimal(value)
    assert re.fullmatch(r"(0|[1-9][0-9]{0,5})(\.[0-9]{1,3})?", text)
    assert abs(float(text) - value) <= 0.0005 + 1e-9


@pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf"), 1e6])
def test_what_cannot_be_written_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="plain decimal"):
        words.decimal(value)


def test_line_numbers_go_round() -> None:
    assert [words.next_number(n) for n in (1, 65534, 65535)] == [2, 65535, 1]


def test_real_time_bytes_differ_from_every_legal_character() -> None:
    legal = b"NGMZFRKPS0123456789. *ABCDEF\n"
    for byte in (*words.STOP, *words.HOLD):
        assert min((byte ^ character).bit_count() for character in legal) >= 3
    assert (words.STOP[0] ^ words.HOLD[0]).bit_count() >= 3


def telemetry(body: str) -> dict[str, float]:
    reply = words.parse_reply(words.seal(body)[:-1])
    assert reply is not None
    return words.telemetry(reply)


def test_telemetry() -> None:
    """A 10 kohm, B = 3950 K thermistor reads 25.924 kohm at 5 degC: 10 exp(3950 (1/278.15 - 1/298.15)).

    Source: the B equation itself, by hand; half the supply is 25 degC by definition.
    """
    middle = telemetry("tm K1 T5 Z1.000 S1600 H1 M0 A32768 B26214 V160 n100")
    assert middle["temperature_K"] == pytest.approx(298.15, abs=1e-9)
    assert middle["hall_V"] == pytest.approx(2.0, abs=1e-4)
    assert middle["vibration_V"] == pytest.approx(160 / 16 * 5 / 1024)
    share = 25.924 / 35.924
    assert telemetry(f"tm K1 A{round(share * 65536)}")["temperature_K"] == pytest.approx(278.15, abs=0.01)


@pytest.mark.parametrize("count", [0, 300, 65535, 65300])
def test_an_open_or_shorted_sensor_is_not_measured(count: int) -> None:
    assert telemetry(f"tm K1 A{count} B{count}") == {}
