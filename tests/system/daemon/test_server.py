"""The protocol on a real socket. JSON-RPC 2.0 Specification (jsonrpc.org), sections 4, 5 and 5.1."""

import asyncio
import json
import math
import socket
import stat
import time
from pathlib import Path

import numpy as np
import pytest

from tests.support.bench.virtual_bench import BENCH_TEXT
from tests.support.daemon import Served
from weighloop.analysis.files.bench_file import parse_bench
from weighloop.analysis.forces.force import force_per_kg
from weighloop.analysis.magnetostatics.quadrature import mean_field
from weighloop.daemon.protocol import (
    ERROR_BAD_INPUT,
    ERROR_NOT_IN_CONTROL,
    METHODS,
    PROTOCOL_VERSION,
    REPLACEABLE,
)
from weighloop.daemon.server.client import AsyncClient, Client, ClientError, NoDaemon
from weighloop.daemon.server.connection import QUEUE
from weighloop.daemon.service import Daemon
from weighloop.daemon.store.locks import AlreadyRunning


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory):
    with Served(tmp_path_factory.mktemp("daemon")) as daemon:
        yield daemon


def plain(place: Path) -> tuple[socket.socket, object]:
    line = socket.socket(socket.AF_UNIX)
    line.settimeout(10)
    line.connect(str(place))
    return line, line.makefile("r")


def test_the_greeting_comes_first(served: Served) -> None:
    line, file = plain(served.place)
    greeting = json.loads(file.readline())  # type: ignore[attr-defined]
    assert greeting["method"] == "greeting"
    assert greeting["params"]["protocol"] == PROTOCOL_VERSION
    assert greeting["params"]["needs_token"] is False
    line.close()


def test_the_socket_is_the_owner_s_alone(served: Served) -> None:
    assert stat.S_IMODE(served.place.stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (b"{not json}\n", -32700),
        (b"[]\n", -32600),
        (b'{"jsonrpc": "2.0", "id": 1}\n', -32600),
        (b'{"jsonrpc": "2.0", "id": 1, "method": "no.such"}\n', -32601),
        (b'{"jsonrpc": "2.0", "id": 1, "method": "runs.get", "params": [1]}\n', -32602),
        (b'{"jsonrpc": "2.0", "id": 1, "method": "runs.get", "params": {"run": "x"}}\n', -32602),
        (b"\xff\xfe\n", -32700),
    ],
)
def test_the_standard_s_errors(served: Served, line: bytes, code: int) -> None:
    end, file = plain(served.place)
    file.readline()  # type: ignore[attr-defined]
    end.sendall(line)
    answer = json.loads(file.readline())  # type: ignore[attr-defined]
    assert answer["error"]["code"] == code
    assert answer["jsonrpc"] == "2.0"
    end.close()


def test_every_method_of_the_protocol_is_served(served: Served) -> None:
    answered_by_server = {
        *("authenticate", "subscribe", "control.take", "control.release", "control.renounce")
    }
    assert served.daemon.server is not None
    assert set(served.daemon.server.handlers) | answered_by_server == set(METHODS)


def test_acting_needs_control_and_one_holder_at_a_time(served: Served) -> None:
    with served.client() as first, served.client() as second:
        with pytest.raises(ClientError) as refused:
            first.call("run.hold", why="x")
        assert refused.value.code == ERROR_NOT_IN_CONTROL
        first.call("control.take", name="first", force=False)
        assert second.call("snapshot")["controller"] == "first"
        with pytest.raises(ClientError, match="first is in control"):
            second.call("control.take", name="second", force=False)
        second.call("control.take", name="second", force=True)
        with pytest.raises(ClientError, match="that is second"):
            first.call("run.note", text="x")
    with served.client() as third:
        end = time.monotonic() + 60
        while third.call("snapshot")["controller"] is not None:  # released when its holder left
            assert time.monotonic() < end
            time.sleep(0.01)


def test_what_is_wrong_is_said_in_words(served: Served) -> None:
    with served.client(control=True) as client:
        for method, params, words in (
            ("run.go_on", {}, "there is no run"),
            ("run.confirm", {"choice": None}, "there is no run"),
            (
                "run.start",
                {"bench_text": "[gap]", "points": 500, "target_u_kg": None, "name": None},
                "2 to 200",
            ),
            ("run.start", {"bench_text": "", "points": 5, "target_u_kg": -1, "name": None}, "above zero"),
            ("run.plan", {"bench_text": "", "points": 5, "target_u_kg": "2 mg"}, "mass in kg above zero"),
            ("run.start", {"bench_text": "x = 1", "points": 5, "target_u_kg": None, "name": None}, "magnet"),
            ("runs.get", {"run": 99}, "no run 99"),
            ("balance.rezero", {}, "no balance"),
            ("subscribe", {"topics": ["nonsense"]}, "topics"),
        ):
            with pytest.raises(ClientError, match=words):
                client.call(method, **params)


def test_a_wrong_bench_lists_its_faults(served: Served) -> None:
    with served.client(control=True) as client, pytest.raises(ClientError) as refused:
        client.call("run.plan", bench_text='[balance]\nport = "x"\n', points=5)
    assert refused.value.code == ERROR_BAD_INPUT
    assert str(refused.value).count("\n") >= 2


def test_a_plan_tells_how_well_m_would_be_known(served: Served) -> None:
    """The pull is the moment times the gradient of the field (Jackson, Classical Electrodynamics, 5.7)."""
    text = BENCH_TEXT.format(ladder="lift")
    bench = parse_bench(text)
    with served.client() as client:
        plan = client.call("run.plan", bench_text=text, points=5, target_u_kg=4e-6)
        by_default = client.call("run.plan", bench_text=text, points=5)
        old = text + (
            "[calibration]\ndate = 2020-01-01\nexpires = 2020-06-29\ntemperature = '20 degC'\n"
            "inputs = ['gap.contact']\ncorrelation = [[1]]\n"
        )
        expired = client.call("run.plan", bench_text=old, points=5)
    assert [w for w in expired["warnings"] if w not in by_default["warnings"]] == [
        "the calibration of 2020-01-01 expired on 2020-06-29: calibrate again"
    ]
    gaps = [step["gap_m"] for step in plan["steps"] if step["kind"] == "point"]
    _, gradient = mean_field(bench.reference_magnet, bench.sample, np.array([min(gaps), max(gaps)]))
    wanted = 4e-6 * force_per_kg(bench.site) / (math.pi * 3e-3**2 * 3e-3 * np.abs(gradient))
    assert plan["expected_u_M_A_per_m"] == pytest.approx(wanted)
    assert by_default["expected_u_M_A_per_m"] == pytest.approx(wanted / 2)  # two digits of 1 mg


def test_a_client_is_given_the_bench_file_of_the_start(served: Served, tmp_path: Path) -> None:
    """A screen begins its form with it, before any run; without one the text is empty."""
    bench = tmp_path / "bench.toml"
    bench.write_text("# the bench in the east room\n", encoding="utf-8")
    with Served(tmp_path, bench=bench) as started, Client.connect(started.place) as client:
        assert client.call("snapshot")["bench_text"] == "# the bench in the east room\n"
    with Client.connect(served.place) as client:
        assert client.call("snapshot")["bench_text"] == ""


def test_events_are_numbered_and_replaced_ones_are_counted(served: Served) -> None:
    server = served.daemon.server
    assert server is not None
    with served.client() as client:
        events = client.events(["live", "log"])

        def burst() -> None:  # in one go, so that nothing is sent in between
            for number in range(50):
                server.publish("live", {"n": number})
            for number in range(QUEUE + 100):
                server.publish("log", {"n": number})

        import threading

        threading.Timer(0.2, lambda: served.daemon.loop.call_soon_threadsafe(burst)).start()  # type: ignore[union-attr]
        first = next(events)
        assert (first["seq"], first["topic"], first["data"]) == (1, "live", {"n": 49}) or first[
            "topic"
        ] == "log"
        got = [first]
        while not (got[-1]["topic"] == "log" and got[-1]["data"] == {"n": QUEUE + 99}):
            got.append(next(events))
        assert [e["seq"] for e in got] == list(range(1, len(got) + 1))
        # All that was published was either got or counted as missed.
        assert len(got) + sum(e["missed"] for e in got) == 50 + QUEUE + 100
        logs = [e["data"]["n"] for e in got if e["topic"] == "log"]
        assert logs == sorted(logs)


def test_a_client_that_never_reads_takes_a_bounded_place(served: Served) -> None:
    server = served.daemon.server
    assert server is not None
    line, file = plain(served.place)
    file.readline()  # type: ignore[attr-defined]
    line.sendall(b'{"jsonrpc": "2.0", "id": 1, "method": "subscribe", "params": {}}\n')
    end = time.monotonic() + 60
    while not any(c.topics for c in server.connections):
        assert time.monotonic() < end
        time.sleep(0.01)
    (silent,) = [c for c in server.connections if c.topics]
    for _ in range(40):
        for _ in range(100):
            served.daemon.loop.call_soon_threadsafe(server.publish, "log", {"x": "y" * 1000})  # type: ignore[union-attr]
        time.sleep(0.01)
    with served.client() as other:  # everybody else is served at once
        began = time.monotonic()
        other.call("status")
        assert time.monotonic() - began < 30.0
    assert len(silent._events) <= QUEUE + len(REPLACEABLE)
    line.close()


def test_the_asynchronous_client(served: Served) -> None:
    async def look() -> None:
        client = await AsyncClient.connect(served.place)
        assert (await client.call("status"))["well"]
        events = client.events(["log"])
        task = asyncio.ensure_future(anext(events))
        end = time.monotonic() + 60
        while not task.done() and time.monotonic() < end:  # said again until it listens
            served.daemon.controller.post(lambda: served.daemon.controller.note("note", "hello"))
            await asyncio.wait({task}, timeout=0.1)
        event = await asyncio.wait_for(task, 1)
        assert event["data"]["text"] == "hello"
        await client.close()
        with pytest.raises(NoDaemon):
            await client.call("status")

    asyncio.run(look())


def test_no_daemon_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(ClientError, match="no daemon at"):
        Client.connect(tmp_path / "nobody.sock")
    with pytest.raises(ConnectionError):
        asyncio.run(AsyncClient.connect(tmp_path / "nobody.sock"))


def test_two_daemons_do_not_share_a_store(served: Served) -> None:
    with pytest.raises(AlreadyRunning, match="another daemon"):
        Daemon(served.store)


def test_tcp_needs_the_token(tmp_path: Path) -> None:
    with Served(tmp_path, tcp=("127.0.0.1", 0)) as daemon:
        place = daemon.place.with_suffix(".tcp")
        assert stat.S_IMODE(place.stat().st_mode) == 0o600
        known = json.loads(place.read_text())
        with socket.create_connection(("127.0.0.1", known["port"]), 10) as line:
            file = line.makefile("r")
            assert json.loads(file.readline())["params"]["needs_token"] is True
            line.sendall(b'{"jsonrpc": "2.0", "id": 1, "method": "snapshot"}\n')
            assert json.loads(file.readline())["error"]["code"] == ERROR_NOT_IN_CONTROL
            line.sendall(
                b'{"jsonrpc": "2.0", "id": 2, "method": "authenticate", "params": {"token": "guess"}}\n'
            )
            assert "not the key" in json.loads(file.readline())["error"]["message"]
        with Client.connect(place) as client:
            assert client.call("snapshot")["run"] is None
    assert not place.exists()


def test_fifty_clients_come_and_go(served: Served) -> None:
    clients = [served.client() for _ in range(50)]
    assert clients[0].call("status")["clients"] >= 50
    for client in clients:
        assert client.call("runs.list") == []
        client.close()
