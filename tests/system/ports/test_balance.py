"""A balance on a pseudo-terminal: lost, silent, garbled, swapped, asked, re-zeroed."""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.serial.serial_peers import Ears, FarEnd, StoppedClock, wait_for
from weighloop.drivers.balance.balance import GOOD_LINES, SerialBalance
from weighloop.drivers.balance.dialects import load_dialect
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceLost, DeviceRefused, DeviceState, DeviceTimeout
from weighloop.drivers.serial import identity as port_names

LINE = b"ST,+00012.345,g\r\n"


@pytest.fixture
def balance(far_end: FarEnd, ears: Ears) -> Iterator[SerialBalance]:
    made = SerialBalance(far_end.port, load_dialect("status-line"), ears, RealClock())
    made.start()
    wait_for(lambda: made.state is DeviceState.IDENTIFYING)
    yield made
    made.close()


def names_of(ears: Ears) -> list[str]:
    return [state for _, state, _ in ears.states]


def make_ready(far_end: FarEnd, balance: SerialBalance) -> None:
    far_end.send(LINE * GOOD_LINES)
    wait_for(lambda: balance.state is DeviceState.READY)


def test_lines_count_only_after_a_few_have_fitted(
    far_end: FarEnd, balance: SerialBalance, ears: Ears
) -> None:
    far_end.send(b"5,g\r\n" + LINE * (GOOD_LINES - 1) + b"noise\r\n" + LINE * GOOD_LINES + LINE)
    wait_for(lambda: len(ears.readings) == 2)
    assert balance.lines == 2 * GOOD_LINES
    # The tail of a line that was cut by opening the port is not a fault; the noise is.
    assert [raw for raw, _ in ears.refusals] == [b"noise\r\n"]
    assert balance.refused == 1
    assert ears.readings[0].value == pytest.approx(0.012345, rel=1e-15)
    assert ears.readings[0].raw == LINE
    assert names_of(ears) == ["opening", "identifying", "ready"]


def test_bytes_one_at_a_time_are_stamped_at_the_last(
    far_end: FarEnd, balance: SerialBalance, ears: Ears
) -> None:
    make_ready(far_end, balance)
    far_end.send(LINE[:-1], piece=1)
    time.sleep(0.15)
    before = time.monotonic()
    count = len(ears.readings)
    far_end.send(LINE[-1:])
    wait_for(lambda: len(ears.readings) == count + 1)
    assert ears.readings[-1].time >= before
    assert ears.readings[-1].value == pytest.approx(0.012345)


def test_lines_read_in_one_go_are_dated_in_the_balance_s_own_rhythm(ears: Ears) -> None:
    """Ten lines a second; the machine was busy for two seconds; after a pause two lines come at once."""
    clock = StoppedClock()
    balance = SerialBalance("nowhere", load_dialect("status-line"), ears, clock)
    balance.opened("nowhere")
    for _ in range(20):
        clock.time += 0.1
        balance.received(LINE, clock.time)
    for pause, lines in ((2.0, 20), (0.1, 1), (5.0, 2)):
        clock.time += pause
        balance.received(LINE * lines, clock.time)
    times = [reading.time for reading in ears.readings]
    usual = [100.1 + 0.1 * number for number in range(GOOD_LINES - 1, 41)]
    assert times == pytest.approx([*usual, 109.0, 109.1], abs=1e-9)


def test_before_the_rhythm_is_known_lines_are_spread_over_the_time_since_the_last(ears: Ears) -> None:
    clock = StoppedClock()
    balance = SerialBalance("nowhere", load_dialect("status-line"), ears, clock)
    balance.opened("nowhere")
    clock.time += 2.0
    balance.received(LINE * 10, clock.time)
    assert [reading.time for reading in ears.readings] == pytest.approx([100.6 + 0.2 * n for n in range(8)])


def test_a_pulled_plug_is_seen_within_a_second_and_a_new_one_is_found(
    far_end: FarEnd, balance: SerialBalance, ears: Ears
) -> None:
    make_ready(far_end, balance)
    pulled = time.monotonic()
    far_end.unplug()
    wait_for(lambda: "lost" in names_of(ears))
    # Less than 1 s is the design's own bar; a pseudo-terminal takes a few milliseconds.
    assert next(at for at, state, _ in ears.states if state == "lost") - pulled < 1.0
    wait_for(lambda: balance.state is DeviceState.ABSENT)
    count = len(ears.readings)
    far_end.plug()
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    make_ready(far_end, balance)
    far_end.send(LINE)
    wait_for(lambda: len(ears.readings) > count)


def test_a_lost_port_costs_no_processor_time(far_end: FarEnd, balance: SerialBalance, ears: Ears) -> None:
    make_ready(far_end, balance)
    far_end.unplug()
    wait_for(lambda: balance.state in (DeviceState.LOST, DeviceState.ABSENT))
    before, began = time.process_time(), time.monotonic()
    time.sleep(0.4)
    assert time.process_time() - before < 0.5 * (time.monotonic() - began)


def test_silence_is_told_after_two_intervals_and_ends_with_the_next_lines(
    far_end: FarEnd, ears: Ears
) -> None:
    balance = SerialBalance(far_end.port, load_dialect("status-line"), ears, RealClock(), interval=0.25)
    balance.start()
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    make_ready(far_end, balance)
    last = time.monotonic()
    wait_for(lambda: balance.state is DeviceState.SILENT)
    assert 0.4 < ears.states[-1][0] - last < 2.0
    # Nothing comes by itself: it is asked.
    assert b"Q\r\n" in far_end.heard(2.0, until=b"Q\r\n")
    make_ready(far_end, balance)
    balance.close()


def test_garbage_is_silence_with_a_reason(far_end: FarEnd, ears: Ears) -> None:
    balance = SerialBalance(far_end.port, load_dialect("status-line"), ears, RealClock(rate=10))
    balance.start()
    end = time.monotonic() + 60
    while balance.state is not DeviceState.SILENT and time.monotonic() < end:
        far_end.send(b"\xfe\x80\x00garbage\r\n")
        time.sleep(0.02)
    assert balance.state is DeviceState.SILENT
    assert "wrong dialect or line settings" in balance.why
    assert balance.refused > 3
    assert ears.readings == []
    balance.close()


def test_a_polled_balance_is_asked_again_and_again(far_end: FarEnd, ears: Ears) -> None:
    balance = SerialBalance(far_end.port, load_dialect("ask-answer"), ears, RealClock(rate=5))
    balance.start()
    for _ in range(GOOD_LINES + 2):
        assert far_end.heard(3.0, until=b"SI\r\n").replace(b"I4\r\n", b"") == b"SI\r\n"
        far_end.send(b"S S     12.345 g\r\n")
    wait_for(lambda: len(ears.readings) >= 2)
    # An answer that never comes is asked for again.
    assert b"SI\r\n" in far_end.heard(3.0, until=b"SI\r\n")
    assert b"SI\r\n" in far_end.heard(3.0, until=b"SI\r\n")
    balance.close()


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [(b"TI S      0.000 g\r\n", True), (b"TI I\r\n", DeviceRefused), (b"", DeviceTimeout)],
)
def test_rezero_with_acknowledgement(far_end: FarEnd, ears: Ears, answer: bytes, outcome: object) -> None:
    balance = SerialBalance(far_end.port, load_dialect("ask-answer"), ears, RealClock())
    balance.start()
    ending = threading.Event()

    def device() -> None:
        buffer = b""
        while not ending.is_set():
            *lines, buffer = (buffer + far_end.heard(0.05, until=b"\n")).split(b"\r\n")
            for line in lines:
                far_end.send({b"SI": b"S S      0.100 g\r\n", b"TI": answer}.get(line, b"ES\r\n"))

    thread = threading.Thread(target=device)
    thread.start()
    try:
        wait_for(lambda: balance.state is DeviceState.READY)
        if outcome is True:
            assert balance.rezero() is True
        else:
            with pytest.raises(outcome):  # type: ignore[call-overload]
                balance.rezero(deadline=0.6)
    finally:
        ending.set()
        thread.join()
        balance.close()


def test_rezero_without_acknowledgement_says_so(far_end: FarEnd, balance: SerialBalance) -> None:
    with pytest.raises(DeviceTimeout, match="not heard"):
        balance.rezero()
    make_ready(far_end, balance)
    assert balance.rezero() is False
    assert far_end.heard(2.0, until=b"T\r\n").endswith(b"T\r\n")
    far_end.unplug()
    wait_for(lambda: balance.state in (DeviceState.LOST, DeviceState.ABSENT))
    with pytest.raises(DeviceLost):
        balance.rezero()


def test_a_port_held_by_another_is_not_shared(far_end: FarEnd, balance: SerialBalance, ears: Ears) -> None:
    second = Ears()
    other = SerialBalance(far_end.port, load_dialect("status-line"), second, RealClock())
    other.start()
    wait_for(lambda: "lost" in names_of(second))
    assert any("another program holds it" in why for _, _, why in second.states)
    other.close()
    make_ready(far_end, balance)


def test_another_adapter_under_the_old_name_is_refused_and_the_old_one_followed(
    tmp_path: Path, ears: Ears, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, foreign = FarEnd(tmp_path, "one"), FarEnd(tmp_path, "two")
    name = tmp_path / "name"
    name.symlink_to(ours.port)
    good, other = port_names.PortIdentity(0x1234, 1, "WP-07"), port_names.PortIdentity(0x1234, 2)
    table = {ours: good, foreign: other}

    def records() -> list[port_names.PortRecord]:
        return [
            port_names.PortRecord(end.port, None, "", who) for end, who in table.items() if end.master >= 0
        ]

    real_find = port_names.find
    monkeypatch.setattr(
        port_names, "find", lambda port, known, **more: real_find(port, known, records, **more)
    )
    balance = SerialBalance(str(name), load_dialect("status-line"), ears, RealClock(rate=20))
    balance.start()
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    make_ready(ours, balance)
    ours.unplug()
    name.unlink()
    name.symlink_to(foreign.port)  # something else took the name
    wait_for(lambda: "is awaited" in balance.why)
    count = len(ears.readings)
    foreign.send(LINE * 5)
    time.sleep(0.2)
    assert len(ears.readings) == count
    table.pop(ours)
    back = FarEnd(tmp_path, "three")
    table[back] = good
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    make_ready(back, balance)
    balance.close()
    for end in (foreign, back):
        end.close()


@pytest.mark.parametrize("by_link", [False, True])
def test_a_terminal_s_number_given_to_a_stranger_is_left_to_the_stranger(
    tmp_path: Path, ears: Ears, by_link: bool
) -> None:
    """The system gives a number that was released to the next who asks (pts(4): the lowest free one)."""
    ours, foreign = FarEnd(tmp_path, "ours"), FarEnd(tmp_path, "foreign")
    number = os.path.realpath(ours.port)
    stale = tmp_path / "stale"
    stale.symlink_to(number)  # as a twin that was killed leaves it
    balance = SerialBalance(
        str(stale) if by_link else number, load_dialect("status-line"), ears, RealClock(rate=30)
    )
    balance.start()
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    make_ready(ours, balance)
    foreign.unplug()
    ours.unplug()
    wait_for(lambda: balance.state is DeviceState.ABSENT)
    end = time.monotonic() + 2
    foreign.plug()
    while os.path.realpath(foreign.port) != number and time.monotonic() < end:  # freed a moment later
        foreign.unplug()
        time.sleep(0.02)
        foreign.plug()
    if os.path.realpath(foreign.port) != number:
        pytest.skip("this system did not give the number again")
    wait_for(lambda: "given to somebody else" in balance.why)
    heard = len(ears.readings)
    rightful = SerialBalance(foreign.port, load_dialect("status-line"), other := Ears(), RealClock(rate=30))
    rightful.start()
    wait_for(lambda: rightful.state is DeviceState.IDENTIFYING)
    make_ready(foreign, rightful)
    foreign.send(LINE)
    wait_for(lambda: len(other.readings) > 0)
    assert len(ears.readings) == heard
    if by_link:  # the owner makes the link again: this is the one
        rightful.close()
        stale.unlink()
        stale.symlink_to(foreign.port)
        wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
        make_ready(foreign, balance)
    balance.close()
    rightful.close()
    foreign.close()


def test_a_listener_that_fails_is_not_the_end(far_end: FarEnd, balance: SerialBalance, ears: Ears) -> None:
    make_ready(far_end, balance)
    calls = []

    def broken(reading: object) -> None:
        calls.append(reading)
        if len(calls) == 1:
            raise RuntimeError("a fault above")

    ears.reading = broken  # type: ignore[method-assign]
    far_end.send(LINE)
    wait_for(lambda: "a fault in the program" in " ".join(why for _, _, why in ears.states))
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    make_ready(far_end, balance)
    far_end.send(LINE)
    wait_for(lambda: len(calls) >= 2)


def test_any_url_is_a_port(ears: Ears) -> None:
    """A balance behind a network adapter: the end of the connection is a loss like any other."""
    import socket

    server = socket.create_server(("127.0.0.1", 0))
    port = server.getsockname()[1]
    balance = SerialBalance(
        f"socket://127.0.0.1:{port}", load_dialect("status-line"), ears, RealClock(rate=5)
    )
    balance.start()
    connection, _ = server.accept()
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    connection.sendall(LINE * (GOOD_LINES + 1))
    wait_for(lambda: len(ears.readings) >= 2)
    connection.close()
    wait_for(lambda: "lost" in names_of(ears))
    connection, _ = server.accept()
    wait_for(lambda: balance.state is DeviceState.IDENTIFYING)
    connection.sendall(LINE * GOOD_LINES)
    wait_for(lambda: balance.state is DeviceState.READY)
    balance.close()
    connection.close()
    server.close()


def test_a_balance_that_sends_again_by_itself_is_no_longer_asked(far_end: FarEnd, ears: Ears) -> None:
    balance = SerialBalance(far_end.port, load_dialect("status-line"), ears, RealClock())
    balance.start()
    assert b"Q\r\n" in far_end.heard(5.0, until=b"Q\r\n")
    asked_last = b"Q"
    for _ in range(60):
        far_end.send(LINE)
        asked_last = far_end.heard(0.04)
    assert asked_last == b""
    assert len(ears.readings) >= 50
    balance.close()


def descriptors() -> int:
    try:
        return len(os.listdir("/proc/self/fd"))
    except OSError:  # no such place on this system
        return 0


@pytest.mark.parametrize("seed", range(6))
def test_whatever_happens_in_whatever_order_it_comes_back(tmp_path: Path, ears: Ears, seed: int) -> None:
    """Faults in random order, twenty-five of them; then the balance speaks and is heard. Nothing leaks."""
    chance = random.Random(seed)
    end = FarEnd(tmp_path)
    threads, files = threading.active_count(), descriptors()
    balance = SerialBalance(end.port, load_dialect("status-line"), ears, RealClock(rate=50))
    balance.start()
    for _ in range(25):
        happens = chance.choice(["pull", "plug", "garbage", "half", "good", "silence", "flood"])
        if happens == "pull" and end.master >= 0:
            end.unplug()
        elif happens == "plug" and end.master < 0:
            end.plug()
        elif end.master >= 0 and happens not in ("pull", "plug", "silence"):
            data = {
                "garbage": chance.randbytes(chance.randrange(1, 200)),
                "half": LINE[: chance.randrange(1, len(LINE))],
                "good": LINE * chance.randrange(1, 6),
                "flood": b"\xff" * 2000,
            }
            end.send(data[happens])
        time.sleep(chance.choice([0.0, 0.005, 0.03]))
    if end.master < 0:
        end.plug()
    wait_for(lambda: balance._line.is_open)
    end.send(b"\r\n" + LINE * GOOD_LINES)
    wait_for(lambda: balance.state is DeviceState.READY, what=f"{balance.state}: {balance.why}")
    assert all(reading.value == pytest.approx(0.012345) for reading in ears.readings)
    balance.close()
    assert threading.active_count() == threads
    assert descriptors() <= files
    end.close()
