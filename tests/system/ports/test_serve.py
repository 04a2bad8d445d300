"""The twin as a process: ports that behave like ports, a control socket, an end."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from tests.support.serial.serial_peers import Ears, take_terminal
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.drivers.clock import RealClock
from weighloop.drivers.device import DeviceRefused
from weighloop.drivers.lift.lift import PositionVoid, SerialLift

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are needed", allow_module_level=True)


class Served:
    """A twin process and its control connection."""

    def __init__(self, *words: str) -> None:
        command = [sys.executable, "-m", "weighloop.drivers.twin", "--speed", "20", *words]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.places: dict[str, Any] = json.loads(self.process.stdout.readline())
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.connect(self.places["control"])
        self.answers = self.socket.makefile("r")

    def do(self, name: str, **more: Any) -> dict[str, Any]:
        return self.send(json.dumps({"do": name, **more}))

    def send(self, line: str) -> dict[str, Any]:
        self.socket.sendall(line.encode() + b"\n")
        return json.loads(self.answers.readline())

    def end(self) -> int:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.answers.close()
        self.socket.close()
        self.process.stdin.close()
        self.process.stdout.close()
        try:
            return self.process.wait(60)
        finally:
            self.process.kill()


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    twin = Served("--calm", "--seed", "5")
    yield twin
    assert twin.end() == 0
    assert not os.path.exists(twin.places["control"])


def opened(name: str, baud: int) -> serial.Serial:
    return serial.Serial(name, baud, timeout=5.0)


def test_the_line_when_ready_names_everything(served):
    assert set(served.places) >= {"balance", "lift", "control", "bench_file", "seed"}
    assert served.places["seed"] == 5
    assert os.stat(Path(served.places["control"]).parent).st_mode & 0o077 == 0


def test_its_bench_file_is_a_right_one_and_never_exactly_true(served):
    text = Path(served.places["bench_file"]).read_text(encoding="utf-8")
    bench = parse_bench(text, "bench.toml")
    assert bench.balance.port == served.places["balance"]
    assert bench.lift_port == served.places["lift"]
    remanence = bench.reference_magnet.remanence
    assert remanence.value != 1.32
    assert abs(remanence.value - 1.32) <= 2.1 * remanence.u
    assert bench.sample.name == "WP-07-3"


def test_figures_come_whole_and_fresh_at_the_right_speed_of_the_line(served):
    time.sleep(0.5)  # nobody listens: what is said now is nobody's
    with opened(served.places["balance"], 9600) as port:
        lines = [port.readline() for _ in range(20)]
    assert all(len(line) == 17 and line[2:3] == b"," and line.endswith(b",g\r\n") for line in lines)
    with opened(served.places["balance"], 19200) as port:
        assert b",g\r\n" not in port.read(200)


def test_the_lift_answers_its_own_line(served):
    with opened(served.places["lift"], 57600) as port:
        time.sleep(0.1)
        port.write(b"N1 M110 K4711*13647710\n")
        assert port.readline().startswith(b"ok N1 K4711 lift1 B")


def test_hands_answer_when_they_are_done(served):
    assert served.do("remove-sample") == {"ok": True}
    assert served.do("state")["sample_on"] is False
    assert served.do("place-sample") == {"ok": True}
    assert served.do("truth")["figures"]["remanence_A_per_m"] > 1e5


def test_what_is_not_a_request_is_answered(served):
    assert "not a JSON object" in served.send("[1]")["why"]
    assert "not a JSON object" in served.send("{")["why"]
    assert not served.do("unplug", port="printer")["ok"]


def test_a_pulled_plug_is_an_error_at_once_and_comes_back_behind_its_own_name(served):
    name = served.places["balance"]
    assert Path(name).parent == Path(served.places["control"]).parent
    number = os.path.realpath(name)
    with opened(name, 9600) as port:
        port.readline()
        assert served.do("unplug", port="balance")["ok"]
        with pytest.raises((serial.SerialException, OSError)):
            port.read(100_000)
    assert not os.path.lexists(name)
    strangers = take_terminal(number)
    try:
        assert served.do("plug", port="balance")["port"] == name
        assert os.path.realpath(name) != number
        with opened(name, 9600) as port:
            assert port.readline().endswith(b",g\r\n")
    finally:
        for end in strangers:
            os.close(end)


def test_a_wrong_call_is_said_in_words():
    call = [sys.executable, "-m", "weighloop.drivers.twin"]
    run = subprocess.run([*call, "--bench", "nonesuch"], capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert "no such twin bench" in run.stderr
    assert "Traceback" not in run.stderr
    assert subprocess.run([*call, "--speed", "0"], capture_output=True, check=False).returncode == 2


def test_the_lift_s_driver_turns_the_sample():
    twin = Served("--calm", "--seed", "5", "--turner")
    bench = parse_bench(Path(twin.places["bench_file"]).read_text(encoding="utf-8"))
    assert bench.gap.turner is not None
    assert (bench.gap.turner.eccentricity.value, bench.gap.turner.eccentricity.u) == (0, pytest.approx(5e-5))
    height = bench.gap.turner.turning_height
    lift = SerialLift(
        twin.places["lift"], Ears(), RealClock(20), travel=bench.gap.travel, turning_height=height
    )
    try:
        assert lift.establish().orientation == 1
        assert lift.axes == "ZA"
        for orientation in (-1, 1, -1):
            position = lift.turn(orientation)
            assert position.known
            assert position.orientation == twin.do("state")["orientation"] == orientation
        lift.approach(20e-3)
        with pytest.raises(DeviceRefused, match="establish first"):
            lift.turn(1)
        lift.establish()
        assert lift.orientation == -1
        twin.do("turner-stuck")
        with pytest.raises(PositionVoid, match="not confirmed"):
            lift.turn(1)
    finally:
        lift.close()
        twin.end()
